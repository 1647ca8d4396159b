"""Measures what a look at a photo shows: the direct estimates and the geometry of the regions, uncalibrated."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.look import Look
from wearvision.measure.regions import bounds, labelled
from wearvision.measure.result import Measured, Outcome
from wearvision.parts import PARTS, PartSpec, Scene
from wearvision.sighting import Estimate
from wearvision.steps import Step

SEEN = 0.5
"""Probability from which a pixel belongs to a region."""
FINEST = 1.5
"""Geometry is measured on the regions enlarged to the photo's own resolution, but no more than this: their
half level is known finer than the network's pixels, and what the standard calls resolvable counts photo pixels."""
SPECK_SHARE = 2e-4
"""Marks smaller than this share of the part are noise of the network, not wear."""


Raster = TypeVar("Raster", bound=NDArray[Any])


@dataclass(frozen=True, slots=True)
class Examination:
    """What one photo says before calibration.

    Attributes:
        look: The square and what was seen in it.
        spec: The part, or None where none was found.
        view: The view it shows; ``""`` where none.
        masks: Region name to bool mask of the square.
        direct: Measure to the network's own estimate, for the modes that this view can show.
        geometry: Measure to what the regions' geometry gives.
        zoom: Pixels of ``geometry``'s traces per pixel of the square.
    """

    look: Look
    spec: PartSpec | None
    view: str
    masks: Mapping[str, NDArray[np.bool_]]
    direct: Mapping[str, Estimate]
    geometry: Mapping[str, Outcome]
    zoom: float = 1.0

    @property
    def traces(self) -> dict[str, NDArray[np.float64]]:
        """Measure to the polyline that was measured, (N, 2) row, column of the square, for those that have one."""
        return {
            name: (outcome.trace + 0.5) / self.zoom - 0.5
            for name, outcome in self.geometry.items()
            if isinstance(outcome, Measured) and outcome.trace is not None
        }


def examine(
    seen: Look, *, part: str | None = None, reference: Callable[[PartSpec], Scene | None] | None = None
) -> Examination:
    """Measures what a look at a photo shows.

    Args:
        seen: The look.
        part: The part if the caller knows it; else the likeliest is taken.
        reference: Gives the same part when new, as ``scene_of`` makes it; asked only once the part is known.
    """
    spec = PARTS.get(part or seen.sighting.part)
    if spec is None:
        return Examination(seen, None, "", {}, {}, {})
    view = max(spec.views, key=lambda candidate: seen.sighting.views[candidate])
    new = reference(spec) if reference is not None else None
    with Step("regions"):
        scene = scene_of(seen, spec, view, new)
    side = seen.square.shape[0]
    masks = {name: _resized(mask.view(np.uint8), side).view(bool) for name, mask in scene.masks.items()}
    direct = {
        mode.measure: seen.sighting.estimates[f"{spec.key}.{mode.measure}"] for mode in spec.modes if view in mode.views
    }
    return Examination(seen, spec, view, masks, direct, spec.measure(scene), scene.image.shape[0] / side)


def scene_of(seen: Look, spec: PartSpec, view: str, reference: Scene | None = None) -> Scene:
    """The look as a part's geometry wants it: bool masks without specks, and the probability maps beside them."""
    side = round(seen.square.shape[0] * min(max(seen.pixels_per_pixel, 1.0), FINEST))
    names = ("part", *spec.regions)
    # What is nowhere likely needs no enlarging: between two pixels there is nothing above both.
    likely = {name: seen.sighting.regions[name] for name in names if seen.sighting.regions[name].max() >= SEEN}
    regions = {name: _resized(weights, side) for name, weights in likely.items()}
    least = max(4.0, SPECK_SHARE * np.count_nonzero(regions["part"] > SEEN) if "part" in regions else 0.0)
    masks: dict[str, NDArray[np.bool_]] = {}
    for name in names:
        if name not in regions:
            masks[name] = np.zeros((side, side), bool)
        elif name in spec.outlines:
            masks[name] = _largest(regions[name] > SEEN)
        else:
            masks[name] = _clean(regions[name] > SEEN, least)
    return Scene(_resized(seen.square, side), masks, view, regions, reference)


def _resized(raster: Raster, side: int) -> Raster:
    """A square raster at another side; itself where the side is the same."""
    if raster.shape[0] == side:
        return raster
    return cv2.resize(raster, (side, side), interpolation=cv2.INTER_LINEAR)  # type: ignore[return-value]


def _clean(mask: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    return _kept(mask, lambda areas: areas >= least)


def _largest(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return _kept(mask, lambda areas: np.arange(areas.size) == np.argmax(areas))


def _kept(mask: NDArray[np.bool_], choose: Callable[[NDArray[np.int32]], NDArray[np.bool_]]) -> NDArray[np.bool_]:
    """The mask with the connected pieces that are chosen by their areas; itself where all are."""
    window = bounds(mask)
    if window is None:
        return mask
    near = mask[window].view(np.uint8)
    # Following outlines costs a tenth of labelling pixels, and mostly there is one piece.
    if len(cv2.findContours(near, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]) == 1:
        return mask if choose(np.array([np.count_nonzero(near)], np.int32)).all() else np.zeros_like(mask)
    labels, areas = labelled(near)
    keep = choose(areas[1:])
    if keep.all():
        return mask
    cleaned = np.zeros_like(mask)
    cleaned[window] = np.concatenate([[False], keep])[labels]
    return cleaned
