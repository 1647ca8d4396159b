"""Body forms of the drive coupler as seen from the side."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

Json = dict[str, Any]

BODIES = ("plain", "ribbed", "dogged", "waisted", "bellows", "hexagonal",
          "flanged", "stepped", "slotted", "collared", "finned")  # fmt: skip


def _knots(body: str, half: float, radius: float, ends: list[float], rng: np.random.Generator) -> list[list[float]]:
    """Radius profile as [s, radius] from end to end; a step is two knots close together."""
    left, right, step = -half + ends[0], half - ends[1], 0.006
    middle = {
        "plain": rng.choice([1.0, rng.uniform(0.9, 1.1)]),
        "waisted": rng.uniform(0.35, 0.75),
        "bellows": rng.uniform(0.85, 1.05),
        "slotted": rng.uniform(0.9, 1.05),
        "dogged": rng.uniform(0.65, 0.95),
        "finned": rng.uniform(0.6, 0.85),
    }.get(body, rng.uniform(0.75, 1.05))
    first, last = radius * float(rng.uniform(0.8, 1.0)), radius * float(rng.uniform(0.8, 1.0))
    if rng.random() < 0.6:
        first = last = radius
    barrel, slope = radius * float(middle), float(rng.choice([step, rng.uniform(0.03, 0.15)]))
    knots = [[-half, first], [left, first], [left + slope, barrel]]
    if body == "stepped":
        at = float(rng.uniform(left + 0.25, right - 0.25))
        knots += [[at, barrel], [at + step, barrel * float(rng.uniform(0.65, 0.85))]]
        barrel = knots[-1][1]
    if body == "waisted" and rng.random() < 0.5:
        knots += [[0.0, barrel * float(rng.uniform(0.75, 1.0))]]
    return [*knots, [right - slope, barrel], [right, last], [half, last]]


def _rings(body: str, half: float, radius: float, rng: np.random.Generator) -> list[Json]:
    """Collars and flanges round the body."""
    count = {"collared": int(rng.integers(2, 6)), "flanged": 1, "finned": 0}.get(body, int(rng.random() < 0.3))
    places = np.sort(rng.uniform(-0.7 * half, 0.7 * half, count))
    if body == "collared" and rng.random() < 0.6:
        places = np.linspace(-0.55, 0.55, count) * half
    tall = (0.25, 0.6) if body == "flanged" else (0.06, 0.25)
    height, width = float(rng.uniform(*tall)), float(rng.uniform(0.03, 0.12))
    soft = float(rng.uniform(0.008, 0.03))
    return [{"at": float(at), "width": width, "height": radius * height, "soft": soft} for at in places]


def _texture(body: str, half: float, ends: list[float], rng: np.random.Generator) -> Json:
    """What runs along or pierces the barrel: ribs, flats, slots, dogs."""
    barrel = [-half + ends[0] + 0.03, half - ends[1] - 0.03]
    made: Json = {"ribs": None, "flats": 0, "slots": [], "dogs": None, "barrel": barrel}
    if body in ("ribbed", "finned") or rng.random() < 0.15:
        count = int(rng.integers(3, 8)) if body == "finned" else int(rng.integers(8, 25))
        made["ribs"] = {"count": count, "width": float(rng.uniform(0.2, 0.55)),
                        "phase": float(rng.uniform(0, 2 * math.pi)),
                        "height": float(rng.uniform(0.05, 0.2) if body == "finned" else rng.uniform(0.02, 0.07))}
    if body == "hexagonal":
        made["flats"] = int(rng.choice([4, 6, 6, 8]))
        made["flats_phase"] = float(rng.uniform(0, 2 * math.pi))
    if body == "slotted":
        count, length = int(rng.integers(1, 4)), float(rng.uniform(0.1, 0.4))
        room = barrel[1] - barrel[0]
        for number in range(count):
            at = barrel[0] + room * (number + 0.5) / count
            made["slots"].append({"at": at, "length": min(length, 0.7 * room / count),
                                  "width": float(rng.uniform(0.15, 0.5)),
                                  "around": float(rng.uniform(-0.5, 0.5)), "through": bool(rng.random() < 0.3)})
    if body == "dogged" or rng.random() < 0.12:
        made["dogs"] = {"side": int(rng.choice([-1, 1])), "depth": float(rng.uniform(0.05, 0.14)),
                        "count": int(rng.integers(2, 7)), "phase": float(rng.uniform(0, 2 * math.pi)),
                        "width": float(rng.uniform(0.35, 0.6))}
    return made


def sample_side(body: str, slender: tuple[float, float], rng: np.random.Generator) -> Json:
    """A side-on design without material and marks.

    Args:
        body: One of ``BODIES``.
        slender: Range of outer radius over half length.
        rng: Source of all chance.
    """
    half = float(rng.uniform(0.80, 0.95))
    radius = half * float(rng.uniform(*slender))
    ends = [float(rng.uniform(0.12, 0.32)), float(rng.uniform(0.12, 0.32))]
    if rng.random() < 0.5:
        ends[1] = ends[0]
    bellows = None
    if body == "bellows":
        room = half - max(ends) - 0.05
        reach = room * float(rng.uniform(0.5, 0.95))
        bellows = {"start": -reach, "stop": reach, "count": int(rng.integers(4, 12)),
                   "depth": radius * float(rng.uniform(0.12, 0.35))}
    return {
        "view": "side",
        "half": half,
        "ends": ends,
        "knots": _knots(body, half, radius, ends, rng),
        "rings": _rings(body, half, radius, rng),
        "bellows": bellows,
        "edge": radius * float(rng.uniform(0.03, 0.15)),
        "texture": _texture(body, half, ends, rng),
        "band": [float(rng.uniform(-0.5, 0.5)), float(rng.uniform(0.03, 0.2))] if rng.random() < 0.15 else None,
        "shaft": [float(rng.uniform(0.3, 0.6)), int(rng.choice([-1, 1]))] if rng.random() < 0.12 else None,
        "mm_per_unit": float(rng.uniform(22.0, 55.0)),
    }
