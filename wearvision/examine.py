"""Measures what a look at a photo shows: the network's direct estimates and the geometry of its regions, uncalibrated."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.look import Look
from wearvision.measure.result import Measured, Outcome
from wearvision.parts import PARTS, PartSpec, Scene
from wearvision.sighting import Estimate

SEEN = 0.5
"""Probability from which a pixel belongs to a region."""
SPECK_SHARE = 2e-4
"""Marks smaller than this share of the part are noise of the network, not wear."""


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
    """

    look: Look
    spec: PartSpec | None
    view: str
    masks: Mapping[str, NDArray[np.bool_]]
    direct: Mapping[str, Estimate]
    geometry: Mapping[str, Outcome]


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
    scene = scene_of(seen, spec, view, reference(spec) if reference is not None else None)
    direct = {
        mode.measure: seen.sighting.estimates[f"{spec.key}.{mode.measure}"] for mode in spec.modes if view in mode.views
    }
    return Examination(seen, spec, view, scene.masks, direct, spec.measure(scene))


def scene_of(seen: Look, spec: PartSpec, view: str, reference: Scene | None = None) -> Scene:
    """The look as a part's geometry wants it: bool masks without specks, and the probability maps beside them."""
    regions = {name: seen.sighting.regions[name] for name in ("part", *spec.regions)}
    least = max(4.0, SPECK_SHARE * float((regions["part"] > SEEN).sum()))
    masks = {
        name: _largest(weights > SEEN) if name in spec.outlines else _clean(weights > SEEN, least)
        for name, weights in regions.items()
    }
    return Scene(image=seen.square, masks=masks, view=view, weights=regions, reference=reference)


def _clean(mask: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    keep = stats[:, cv2.CC_STAT_AREA] >= least
    keep[0] = False
    return keep[labels] if count > 1 else mask


def _largest(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count <= 1:
        return mask
    return labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))


def traces(geometry: Mapping[str, Outcome]) -> dict[str, NDArray[np.float64]]:
    """Measure to the polyline that was measured, for those that have one."""
    return {
        name: outcome.trace
        for name, outcome in geometry.items()
        if isinstance(outcome, Measured) and outcome.trace is not None
    }
