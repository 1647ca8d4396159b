"""Pictures of different parts of one design on one bench in one light: the hard case for a look at likeness."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wearvision.parts import PARTS
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.catalogue import entry
from wearvision_training.sketch.engine import render
from wearvision_training.sketch.sensor import develop
from wearvision_training.sketch.warp import plane_raster_size
from wearvision_training.studio import sample_recipe

SIZE = 768
KINDS = {
    "fixed": "camera fixed, parts in the very same place",
    "near": "camera fixed, parts put down by hand",
    "free": "camera in the hand",
}
EACH = 4
"""Pictures of each kind in a group."""


@dataclass(frozen=True)
class Spread:
    """By how much poses differ: deviations of turn and tilt in degrees, scale, shift in half sides, and exposure."""

    turn: float
    tilt: float
    scale: float
    shift: float
    stops: float


BY_HAND = Spread(2, 1, 0.02, 0.015, 0.05)
FREE = Spread(60, 5, 0.12, 0.08, 0.2)


def group(number: int) -> Iterator[tuple[str, np.ndarray]]:
    """Name and picture of twelve different parts of one design, and of the first one taken again.

    ``fixed-0`` and ``fixed-1``, as well as ``near-0``, have the same wear by its figures, in another grain. Of
    ``again-fixed`` and ``again-near`` it is the very part of ``fixed-0``.
    """
    rng = np.random.default_rng([7, number])
    first = sample_recipe(sorted(PARTS)[number % len(PARTS)], rng)
    bench = int(rng.integers(2**31))

    def other(*, wear: bool) -> Recipe:
        worn = entry(first.part).sample_wear(first.design, first.view, rng) if wear else first.wear
        return replace(first, wear=worn, seed=int(rng.integers(2**31)))

    shots = [("fixed-0", first, bench), ("fixed-1", other(wear=False), bench)]
    shots += [(f"fixed-{place}", other(wear=True), bench) for place in range(2, EACH)]
    for place in range(EACH):
        part = other(wear=place > 0)
        shots.append((f"near-{place}", replace(part, camera=_put_down(part.camera, rng, BY_HAND)), bench))
    for place in range(EACH):
        part = other(wear=True)
        ground = replace(part, camera=_put_down(part.camera, rng, FREE))
        shots.append((f"free-{place}", ground, int(rng.integers(2**31))))
    shots += [
        ("again-fixed", first, bench),
        ("again-near", replace(first, camera=_put_down(first.camera, rng, BY_HAND)), bench),
    ]
    for name, recipe, ground_seed in shots:
        yield name, _photographed(recipe, ground_seed, int(rng.integers(2**31)))


def _photographed(part: Recipe, bench: int, noise: int) -> np.ndarray:
    """A part on the bench of one seed with the sensor's noise of another."""
    drawing = entry(part.part).draw(part, plane_raster_size(part.camera, SIZE))
    picture = render(drawing, replace(part, seed=bench), SIZE)
    return develop(np.maximum(picture.linear, 0), part.camera, picture.light.mean((0, 1)), noise)


def _put_down(camera: Any, rng: np.random.Generator, spread: Spread) -> dict[str, Any]:
    return {
        **camera,
        "turn_deg": float(camera["turn_deg"] + rng.normal(0, spread.turn)),
        "tilt_deg": float(max(0, camera["tilt_deg"] + rng.normal(0, spread.tilt))),
        "scale": float(camera["scale"] * np.exp(rng.normal(0, spread.scale))),
        "shift": [float(v + rng.normal(0, spread.shift)) for v in camera["shift"]],
        "exposure_ev": float(camera["exposure_ev"] + rng.normal(0, spread.stops)),
    }
