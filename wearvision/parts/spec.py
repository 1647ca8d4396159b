"""The form in which a part describes itself; each part module fills one in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.result import Outcome

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Mode:
    """One way of wearing out, and the measure that says how far.

    Attributes:
        key: The wear standard's name, such as ``"clouding"``.
        measure: The measure's name, such as ``"haze"``.
        title: For people.
        views: The views that can show it.
        region: The network region that marks it in the picture, None where an outline says it.
        permanent: True if no cleaning takes it away.
    """

    key: str
    measure: str
    title: str
    views: tuple[str, ...]
    region: str | None = None
    permanent: bool = True


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that a person can draw on a photo, from which measures are taken.

    Attributes:
        key: Its name in a label.
        region: The region that it fills.
        shape: ``"outline"``: closed, smooth between its points but for corners; ``"line"``: a polyline;
            ``"area"``: polygons and brush strokes.
        title: What to draw, for people.
        views: The views that show it.
        points: Fewest points from which it is measured; fewer say only where it is.
    """

    key: str
    region: str
    shape: Literal["outline", "line", "area"]
    title: str
    views: tuple[str, ...]
    points: int = 3


@dataclass(frozen=True, slots=True)
class Scene:
    """What a part's ``measure`` gets to work on: one picture of one part.

    Attributes:
        image: RGB, (H, W, 3) uint8, upright.
        masks: Region name to bool mask (H, W).
        weights: Region name to float32 map (H, W), 0 to 1, for film and haze where known.
        view: The view that the picture shows.
        reference: The same of the part when new (already its own ``Scene``), or None.
    """

    image: NDArray[np.uint8]
    masks: Mapping[str, Mask]
    view: str
    weights: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)
    reference: Scene | None = None

    def mask(self, name: str) -> Mask:
        """The region's mask; all False where the picture has none."""
        found = self.masks.get(name)
        return found if found is not None else np.zeros(self.image.shape[:2], bool)

    def soft(self, name: str) -> Mask | NDArray[np.float32]:
        """The region's probability map where there is one, whose half level is finer than pixels; else its mask."""
        found = self.weights.get(name)
        return found if found is not None else self.mask(name)


@dataclass(frozen=True, slots=True)
class PartSpec:
    """A part, as everything else in the house sees it.

    Attributes:
        key: Name in the JSON report.
        title: For people.
        views: The views that can be judged.
        required_views: View to how many different pictures of it clear the part.
        modes: In the order in which they are shown.
        regions: Names of the regions that the network marks for this part, beside ``"part"``.
        outlines: Those of them that are one whole shape (a rim, a socket), of which the largest piece counts.
        subject: View to the region in which a fault of the photo (glare, focus) matters.
        settings: Names of settings (not wear) that a scale in the picture makes measurable.
        advice: How to photograph it, one sentence each.
        measure: Geometry: a ``Scene`` to measure name → outcome, for the measures that it can give.
        marks: What a person can draw on a photo of it.
        by_hand: (measure, view) to the keys of the marks without which it can't be taken from a drawing.
        geometry_off: (measure, view) to how far the truth lies below and above the interval of ``measure`` taken from
            the true regions, some 97 times in 100 (``tests/labels/test_hand_marks.py`` prints it).
        matched: Measures that a person tells by a rendered comparison series.
    """

    key: str
    title: str
    views: tuple[str, ...]
    required_views: Mapping[str, int]
    modes: tuple[Mode, ...]
    regions: tuple[str, ...]
    outlines: tuple[str, ...]
    subject: Mapping[str, str]
    settings: tuple[str, ...]
    advice: tuple[str, ...]
    measure: Callable[[Scene], dict[str, Outcome]]
    marks: tuple[Mark, ...] = ()
    by_hand: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)
    geometry_off: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)
    matched: tuple[str, ...] = ()

    def mode(self, key: str) -> Mode:
        """The mode of that key; KeyError if it is none of this part's."""
        for mode in self.modes:
            if mode.key == key:
                return mode
        raise KeyError(f"{self.key} has no mode {key!r}")

    def mode_of(self, measure: str) -> Mode:
        """The mode that a measure belongs to; KeyError if it is none of this part's."""
        for mode in self.modes:
            if mode.measure == measure:
                return mode
        raise KeyError(f"{self.key} has no measure {measure!r}")
