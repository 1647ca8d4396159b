"""Wear of flame-sensing cells: how much of each mode, where, and its exact truth.

Positions inside the window are in units of its radius; the rim's departure is in units of the rim's
radius. ``rim_offsets`` and ``visible_length`` hold the geometry, so that every renderer shares it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Wear = dict[str, Any]
NEW_SHARE = 0.24
"""Share of pictures that show a cell as new, or nearly."""
BANDS: dict[str, tuple[tuple[float, float, float], ...]] = {
    # (share, low, high): below, in and above the wear standard's limits, with mass near and far.
    "film": ((0.20, 0.02, 0.10), (0.10, 0.10, 0.15), (0.40, 0.15, 0.40), (0.30, 0.40, 0.80)),
    "haze": (
        (0.15, 0.02, 0.10), (0.08, 0.10, 0.15), (0.27, 0.15, 0.30), (0.10, 0.30, 0.40), (0.25, 0.40, 0.65),
        (0.15, 0.65, 0.90),
    ),
    "crack": ((0.09, 0.02, 0.05), (0.18, 0.05, 0.15), (0.40, 0.15, 0.50), (0.33, 0.50, 1.15)),
    "scorch": ((0.16, 0.003, 0.02), (0.14, 0.02, 0.05), (0.40, 0.05, 0.15), (0.30, 0.15, 0.45)),
    "rim": ((0.20, 0.004, 0.03), (0.18, 0.03, 0.06), (0.40, 0.06, 0.11), (0.22, 0.11, 0.22)),
}  # fmt: skip
OFTEN = (0.24, 0.19, 0.19, 0.17, 0.21)
"""How often each mode of ``BANDS`` is chosen; film and haze alone lead to cleaning, and their maps vary most."""
TRACES = {"film": 0.035, "haze": 0.03, "crack": 0.0, "scorch": 0.006, "rim": 0.01}
"""The most of each mode on a cell that is nearly new."""
FILM_KINDS = ("even", "patchy", "streaked", "ring", "edge", "side", "drops")
HAZE_KINDS = ("even", "centre", "edge", "blotchy", "side")
NO_WEAR: Wear = {
    "film": {"mean": 0.0, "kinds": ["even"], "angle": 0.0, "scale": 4.0, "radiance": [0.02, 0.02, 0.02]},
    "haze": {"mean": 0.0, "kind": "even", "angle": 0.0, "scale": 3.0, "radiance": [0.7, 0.7, 0.7]},
    "cracks": [],
    "scorch": {"ratio": 0.0, "blots": [], "tone": [0.03, 0.02, 0.015], "blisters": 0.0, "fringe": 0.0},
    "rim": {"waves": [], "bumps": [], "browned": 0.0},
    "dirt": 0.0,
    "seed": 0,
}
"""A new cell; ``sample_wear`` fills in the rest."""
SAMPLES = 2048
"""Directions at which the rim is sampled; at 0.8 of a 420 raster they are half a pixel apart."""
ANGLES: Array = np.linspace(0.0, 2 * np.pi, SAMPLES, endpoint=False)


def sample_wear(design: Mapping[str, Any], view: str, rng: np.random.Generator) -> Wear:
    """What happened to a cell: each mode alone and together, about a quarter as new.

    Args:
        design: What ``sample_design`` gave.
        view: ``"face"``, the only one.
        rng: Generator; the same state gives the same wear.
    """
    levels = _levels(rng)
    radiance = _white(0.5, 0.9, 0.04, rng)
    dirty = levels["film"] > 0.05 or levels["haze"] > 0.1
    return {
        "film": _film(levels["film"], radiance, rng),
        "haze": {
            "mean": levels["haze"],
            "kind": str(rng.choice(HAZE_KINDS)),
            "angle": _round(rng.uniform(0, 2 * np.pi)),
            "scale": _round(rng.uniform(2.0, 7.0)),
            "radiance": radiance,
        },
        "cracks": _cracks(levels["crack"], rng),
        "scorch": _scorch(levels["scorch"], float(design["element"]["radius"]), rng),
        "rim": _rim(levels["rim"], float(design["rim"]["metal"]), rng),
        "dirt": _round(rng.uniform(0.1, 0.8) if dirty and rng.random() < 0.7 else rng.uniform(0, 0.25)),
        "seed": int(rng.integers(2**31)),
    }


def _round(value: float) -> float:
    return round(float(value), 6)


def _white(low: float, high: float, tint: float, rng: np.random.Generator) -> list[float]:
    colour = rng.uniform(low, high) * np.exp(rng.normal(0, tint, 3))
    return [_round(value) for value in np.clip(colour, 0.0, 0.95)]


def _levels(rng: np.random.Generator) -> dict[str, float]:
    """How much of each mode, by its own measure."""
    levels = {mode: _round(most * rng.random() * (rng.random() < 0.4)) for mode, most in TRACES.items()}
    if rng.random() < NEW_SHARE:
        return levels
    count = int(rng.choice([1, 2, 3], p=[0.45, 0.35, 0.20]))
    for mode in rng.choice(list(BANDS), count, replace=False, p=list(OFTEN)):
        shares = np.array([band[0] for band in BANDS[mode]])
        _, low, high = BANDS[mode][int(rng.choice(len(shares), p=shares / shares.sum()))]
        levels[str(mode)] = _round(rng.uniform(low, high))
    return levels


def _film(mean: float, white: list[float], rng: np.random.Generator) -> Wear:
    """Soot, oil or (less often) dust, no brighter than half the veil: above that the two can't be told apart."""
    stuff = str(rng.choice(["soot", "oil", "dust"], p=[0.62, 0.23, 0.15]))
    if stuff == "soot":
        radiance = _white(0.008, 0.05, 0.06, rng)
    elif stuff == "oil":
        radiance = [_round(v) for v in np.array([0.09, 0.055, 0.02]) * rng.uniform(0.4, 1.4)]
    else:
        warmth = np.array([1.0, 0.94, 0.84]) ** rng.uniform(0, 1)
        radiance = [_round(v) for v in np.array(white) * warmth * rng.uniform(0.25, 0.5)]
    kinds = [str(kind) for kind in rng.choice(FILM_KINDS, int(rng.integers(1, 3)), replace=False)]
    if stuff == "dust":
        kinds.append("grain")
    return {
        "mean": mean,
        "kinds": kinds,
        "angle": _round(rng.uniform(0, 2 * np.pi)),
        "scale": _round(rng.uniform(2.5, 9.0)),
        "radiance": radiance,
    }


def _cracks(ratio: float, rng: np.random.Generator) -> list[Wear]:
    """A crack whose main path has the wanted length, and sometimes a shorter one well away from it."""
    if ratio <= 0:
        return []
    cracks = [_crack(2 * ratio, rng)]
    if rng.random() < 0.15:
        second = _crack(ratio * rng.uniform(0.3, 0.9), rng)
        apart = np.linalg.norm(np.array(second["points"])[:, None] - np.array(cracks[0]["points"])[None], axis=2)
        if apart.min() > 0.25:
            cracks.append(second)
    return cracks


def _crack(length: float, rng: np.random.Generator) -> Wear:
    """One crack; lengths in window radii. Branches stay shorter than what they leave of the main path."""
    kind = str(rng.choice(["straight", "curved", "star"], p=[0.35, 0.45, 0.2]))
    points = max((_path(length, kind, rng) for _ in range(12)), key=lambda path: min(_length(path), length))
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    branches = []
    for _ in range(int(rng.integers(1, 4)) if kind == "star" else int(rng.choice([0, 1, 2], p=[0.5, 0.3, 0.2]))):
        at = len(points) // 2 if kind == "star" else int(rng.integers(len(points) // 4, 3 * len(points) // 4 + 1))
        room = 0.75 * min(along[at], along[-1] - along[at])
        if room < 0.04:
            continue
        step = points[min(at + 1, len(points) - 1)] - points[max(at - 1, 0)]
        heading = np.arctan2(step[1], step[0]) + rng.choice([-1, 1]) * rng.uniform(0.4, 1.5)
        branches.append(_walk(points[at], heading, room * rng.uniform(0.4, 1.0), 0.0, 0.12, rng).round(5).tolist())
    return {
        "kind": kind,
        "points": points.round(5).tolist(),
        "branches": branches,
        "width": _round(rng.uniform(0.006, 0.02)),
        "dark": _round(rng.uniform(0.45, 0.95)),
        "glint": _round(rng.uniform(0.25, 0.9)),  # without one a dark line is lost on a dark track
        "glint_angle": _round(rng.uniform(0, 2 * np.pi)),
    }


def _path(length: float, kind: str, rng: np.random.Generator) -> Array:
    """A main path inside the window; most cracks begin at its edge."""
    bend = {"straight": 0.0, "star": 0.2, "curved": rng.uniform(0.4, 1.4)}[kind] * rng.choice([-1, 1])
    from_edge = rng.random() < 0.6 and kind != "star"
    angle, radius = rng.uniform(0, 2 * np.pi), 0.995 if from_edge else 0.9 * np.sqrt(rng.random())
    heading = angle + np.pi + rng.normal(0, 0.5) if from_edge else rng.uniform(0, 2 * np.pi)
    start = radius * np.array([np.cos(angle), np.sin(angle)])
    return _walk(start, heading, length, bend, 0.05 if kind == "straight" else 0.12, rng)


def _walk(start: Array, heading: float, length: float, bend: float, shake: float, rng: np.random.Generator) -> Array:
    """Steps of equal length that turn by ``bend`` per unit and shake; ends at the window's edge."""
    steps = max(3, int(np.ceil(length / 0.06)))
    size = length / steps
    headings = heading + bend * size * np.arange(steps) + np.cumsum(rng.normal(0, shake, steps))
    moves = size * np.stack([np.cos(headings), np.sin(headings)], 1)
    points = np.concatenate([start[None], start + np.cumsum(moves, axis=0)])
    outside = np.flatnonzero(np.hypot(*points.T) > 1.0)
    return points[: max(int(outside[0]), 2)] if len(outside) else points


def _length(points: Array) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def visible_length(points: Array, seen: Callable[[Array], NDArray[np.bool_]]) -> float:
    """Length of the longest unbroken stretch of a polyline that can be seen.

    Args:
        points: (N, 2) x, y, in any unit, N >= 2.
        seen: (M, 2) points in the same unit to which of them are in sight.
    """
    points = np.asarray(points, np.float64)
    pieces = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(pieces)])
    fine = np.linspace(0.0, along[-1], max(2, int(along[-1] / 0.002)))
    places = np.stack([np.interp(fine, along, points[:, 0]), np.interp(fine, along, points[:, 1])], 1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], seen(places).astype(int), [0]])))
    runs = [fine[stop - 1] - fine[start] for start, stop in zip(edges[::2], edges[1::2], strict=True)]
    return float(max(runs, default=0.0))


def _scorch(ratio: float, reach: float, rng: np.random.Generator) -> Wear:
    """Burned blots on the element; the drawer grows them until they cover the ratio of the window."""
    ratio = min(ratio, 0.8 * reach**2)
    blots = []
    for _ in range(int(rng.integers(1, 5))):
        angle, radius = rng.uniform(0, 2 * np.pi), 0.85 * reach * np.sqrt(rng.random())
        place = [_round(radius * np.cos(angle)), _round(radius * np.sin(angle))]
        blots.append({"at": place, "radius": _round(rng.uniform(0.25, 1.0))})
    brown = np.array([0.09, 0.045, 0.02]) * rng.uniform(0.2, 1.0)
    return {
        "ratio": _round(ratio),
        "blots": blots,
        "tone": [_round(v) for v in brown],
        "rough": _round(rng.uniform(0.15, 0.6)),
        "blisters": _round(rng.uniform(0.0, 1.0)),
        "fringe": _round(rng.uniform(0.0, 0.6)),
    }


def _rim(deviation: float, metal: float, rng: np.random.Generator) -> Wear:
    """A rim out of round by exactly ``deviation``: oval, lobed, dented, sagging, dripping."""
    waves, bumps = [], []
    kinds = rng.choice(["oval", "lobed", "dent", "sag", "drip"], int(rng.integers(1, 4)), replace=False)
    for kind in kinds:
        size, angle = rng.uniform(0.4, 1.0), _round(rng.uniform(0, 2 * np.pi))
        if kind == "oval":
            waves.append({"order": 2, "size": _round(size), "angle": angle})
        elif kind == "lobed":
            waves.append({"order": int(rng.integers(3, 7)), "size": _round(0.6 * size), "angle": angle})
        elif kind == "dent":
            for k in range(int(rng.integers(1, 3))):
                turn = angle + k * rng.uniform(1, 5)
                bumps.append({"angle": _round(turn), "size": _round(-size), "spread": _round(rng.uniform(0.1, 0.5))})
        elif kind == "sag":
            bumps.append({"angle": angle, "size": _round(size), "spread": _round(rng.uniform(0.3, 0.8))})
        else:
            for _ in range(int(rng.integers(1, 4))):
                turn, spread = angle + rng.normal(0, 0.4), rng.uniform(0.05, 0.14)
                bumps.append({"angle": _round(turn), "size": _round(0.8 * size), "spread": _round(spread)})
    rim: Wear = {"waves": waves, "bumps": bumps, "browned": 0.0}
    if deviation <= 0:
        return {"waves": [], "bumps": [], "browned": 0.0}
    factor = 0.1
    for _ in range(6):  # the departure is nearly linear in the size, so this settles at once
        factor *= deviation / max(rim_deviation(scaled_rim(rim, factor)), 1e-9)
    rim = scaled_rim(rim, factor)
    rim["browned"] = _round(rng.uniform(0, 1) * (rng.random() < 0.6) * min(1.0, 12 * deviation) * (1 - 0.7 * metal))
    return rim


def scaled_rim(rim: Mapping[str, Any], factor: float) -> Wear:
    """The same rim with every departure times ``factor``."""

    def grown(parts: list[Wear]) -> list[Wear]:
        return [{**part, "size": part["size"] * factor} for part in parts]

    return {**rim, "waves": grown(rim["waves"]), "bumps": grown(rim["bumps"])}


def rim_offsets(rim: Mapping[str, Any]) -> Array:
    """Departure of the front rim from its circle when new, in radii, at ``ANGLES``."""
    offsets = np.zeros(SAMPLES)
    for wave in rim["waves"]:
        offsets += wave["size"] * np.cos(wave["order"] * (ANGLES - wave["angle"]))
    for bump in rim["bumps"]:
        away = np.mod(ANGLES - bump["angle"] + np.pi, 2 * np.pi) - np.pi
        offsets += bump["size"] * np.exp(-0.5 * (away / bump["spread"]) ** 2)
    return np.maximum(offsets, -0.6)


def rim_deviation(rim: Mapping[str, Any]) -> float:
    """Largest radial departure of the worn front rim from its geometric least-squares circle, in its radii."""
    if not rim["waves"] and not rim["bumps"]:
        return 0.0
    radii = 1.0 + rim_offsets(rim)
    x, y = radii * np.cos(ANGLES), radii * np.sin(ANGLES)
    cx, cy, radius = float(x.mean()), float(y.mean()), float(radii.mean())
    for _ in range(20):  # Gauss-Newton on the orthogonal distances
        distance = np.hypot(x - cx, y - cy)
        slopes = np.stack([-(x - cx) / distance, -(y - cy) / distance, -np.ones(SAMPLES)], 1)
        step, *_ = np.linalg.lstsq(slopes, radius - distance, rcond=None)
        cx, cy, radius = cx + step[0], cy + step[1], radius + step[2]
        if float(np.abs(step).max()) < 1e-10:
            break
    return float(np.abs(np.hypot(x - cx, y - cy) - radius).max() / radius)
