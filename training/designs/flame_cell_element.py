"""The sensitive element of a flame-sensing cell: its colours, and its track as polylines.

Polylines are in units of the element's radius, so that any renderer can draw them.
"""

from __future__ import annotations

from typing import Any

import numpy as np

Range = tuple[float, float]
Design = dict[str, Any]
Line = list[list[float]]

TRACKS = (
    (0.55, 0.30, 0.08), (0.68, 0.43, 0.12), (0.62, 0.20, 0.05), (0.45, 0.10, 0.04),
    (0.26, 0.11, 0.05), (0.09, 0.05, 0.04), (0.36, 0.22, 0.10), (0.16, 0.16, 0.15),
)  # fmt: skip
ELECTRODES = ((0.66, 0.66, 0.64), (0.50, 0.50, 0.51), (0.62, 0.46, 0.18), (0.30, 0.30, 0.31), (0.75, 0.72, 0.66))
CERAMICS = ((0.80, 0.79, 0.76), (0.66, 0.60, 0.50), (0.48, 0.48, 0.47), (0.72, 0.70, 0.72), (0.55, 0.45, 0.33))
LEAST_CONTRAST = 1.5
"""Track and electrode differ at least this much in brightness: a cell whose track cannot be seen is no cell."""


def between(rng: np.random.Generator, limits: Range) -> float:
    """A number between two limits, short enough for a record."""
    return round(float(rng.uniform(*limits)), 5)


def jitter(colour: tuple[float, float, float], amount: float, rng: np.random.Generator) -> list[float]:
    """The colour with its brightness and its hue moved a little, as one batch differs from the next."""
    moved = np.array(colour) * np.exp(rng.normal(0, 2 * amount)) * np.exp(rng.normal(0, 0.4 * amount, 3))
    return [round(float(value), 5) for value in np.clip(moved, 0.004, 0.95 if amount > 0.03 else 1.0)]


def sample_element(layout: str, dome: float, rng: np.random.Generator) -> Design:
    """The sensitive element: a track on an electrode on a ceramic, or electrode fingers on the sensitive layer."""
    track = jitter(TRACKS[int(rng.integers(len(TRACKS)))], 0.10, rng)
    electrode = jitter(ELECTRODES[int(rng.integers(len(ELECTRODES)))], 0.08, rng)
    while max(sum(track), sum(electrode)) < LEAST_CONTRAST * min(sum(track), sum(electrode)):
        electrode = jitter(ELECTRODES[int(rng.integers(len(ELECTRODES)))], 0.08, rng)
        track = jitter(TRACKS[int(rng.integers(len(TRACKS)))], 0.10, rng)
    swapped = bool(rng.random() < (0.7 if layout == "comb" else 0.2))
    turns = int(rng.integers(3, 15)) if layout not in ("spiral", "arcs") else int(rng.integers(2, 7))
    pitch = 1.6 / turns if layout not in ("spiral", "arcs") else 0.85 / turns
    return {
        "layout": layout,
        "turns": turns,
        "angle": between(rng, (0.0, 2 * np.pi)),
        "width": round(pitch * float(rng.uniform(0.25, 0.55)), 5),
        "radius": between(rng, (0.72, 0.98)),
        "flat": between(rng, (0.75, 0.95)) if rng.random() < 0.35 else 1.0,
        "ceramic": jitter(CERAMICS[int(rng.integers(len(CERAMICS)))], 0.06, rng),
        "ground": track if swapped else electrode,
        "figure": electrode if swapped else track,
        "edge": between(rng, (0.0, 0.5)),
        "grain": between(rng, (0.02, 0.16)),
        "posts": between(rng, (0.05, 0.12)) if rng.random() < 0.5 else 0.0,
        "post_at": between(rng, (0.55, 0.85)),
        "bulge": round(0.5 * dome, 5),
        "squeeze": between(rng, (0.7, 1.0)),
    }


def element_lines(element: Design) -> list[Line]:
    """The figure's polylines in units of the element's radius, turned by its angle, none beyond radius 1."""
    turns = int(element["turns"])
    lines = _LAYOUTS[element["layout"]](turns, float(element["squeeze"]))
    cos, sin = np.cos(element["angle"]), np.sin(element["angle"])
    turn = np.array([[cos, -sin], [sin, cos]])
    return [(np.asarray(line) @ turn.T).tolist() for line in lines]


def _rows(turns: int, squeeze: float) -> tuple[np.ndarray, np.ndarray]:
    """Heights of the rows of a meander, and half the chord that each has inside radius 0.9."""
    heights = np.linspace(-0.8, 0.8, turns + 1)
    return heights, squeeze * np.sqrt(np.maximum(0.81 - heights**2, 0.02))


def _serpentine(turns: int, squeeze: float) -> list[np.ndarray]:
    heights, halves = _rows(turns, squeeze)
    points = []
    for row, (y, half) in enumerate(zip(heights, halves, strict=True)):
        # A row ends where its neighbour does, so that the bends stand upright.
        before, after = halves[max(row - 1, 0)], halves[min(row + 1, turns)]
        side = 1 if row % 2 else -1
        points += [(side * min(half, before), y), (-side * min(half, after), y)]
    return [np.array(points)]


def _zigzag(turns: int, squeeze: float) -> list[np.ndarray]:
    heights, halves = _rows(turns, squeeze)
    sides = np.where(np.arange(turns + 1) % 2, 1, -1)
    return [np.stack([sides * halves, heights], 1)]


def _wave(turns: int, squeeze: float) -> list[np.ndarray]:
    y = np.linspace(-0.85, 0.85, 24 * turns)
    x = squeeze * np.sqrt(np.maximum(0.81 - y**2, 0.01)) * np.sin(np.pi * turns * (y + 0.85) / 1.7)
    return [np.stack([x, y], 1)]


def _twin(turns: int, squeeze: float) -> list[np.ndarray]:
    (line,) = _serpentine(turns, 1.0)
    halves = []
    for side in (-1, 1):
        half = line * (0.5 * squeeze, 1.0) + (side * 0.46, 0.0)
        halves.append(half * (0.9 / max(0.9, np.linalg.norm(half, axis=1).max())))
    return halves


def _comb(turns: int, squeeze: float) -> list[np.ndarray]:
    heights, halves = _rows(turns, squeeze)
    lines = []
    for row, (y, half) in enumerate(zip(heights, halves, strict=True)):
        side = 1 if row % 2 else -1
        lines.append(np.array([(side * np.sqrt(0.86 - y * y), y), (-side * 0.72 * half, y)]))
    angles = np.linspace(-1.05, 1.05, 24)
    return [*lines, *(np.stack([s * 0.93 * np.cos(angles), 0.93 * np.sin(angles)], 1) for s in (-1, 1))]


def _spiral(turns: int, squeeze: float) -> list[np.ndarray]:
    angles = np.linspace(0, 2 * np.pi * turns, 40 * turns)
    radii = 0.06 + (0.86 * (0.5 + 0.5 * squeeze) - 0.06) * angles / angles[-1]
    return [np.stack([radii * np.cos(angles), radii * np.sin(angles)], 1)]


def _arcs(turns: int, squeeze: float) -> list[np.ndarray]:
    """A meander bent round the middle: arcs that are joined at alternate ends of a gap."""
    gap = 0.25 + 0.9 * (1 - squeeze)
    points = []
    for row, radius in enumerate(np.linspace(0.9, 0.18, turns)):
        angles = np.linspace(gap, 2 * np.pi - gap, 48)[:: 1 if row % 2 else -1]
        points.append(np.stack([radius * np.cos(angles), radius * np.sin(angles)], 1))
    return [np.concatenate(points)]


def _radial(turns: int, squeeze: float) -> list[np.ndarray]:
    """A meander that runs in and out like a star."""
    count = 2 * turns
    angles = np.repeat(np.linspace(0, 2 * np.pi, count, endpoint=False), 2)
    radii = np.tile([0.9, 0.25 + 0.2 * squeeze, 0.25 + 0.2 * squeeze, 0.9], turns)
    return [np.stack([radii * np.cos(angles), radii * np.sin(angles)], 1)]


_LAYOUTS = {
    "serpentine": _serpentine,
    "zigzag": _zigzag,
    "wave": _wave,
    "twin": _twin,
    "comb": _comb,
    "spiral": _spiral,
    "arcs": _arcs,
    "radial": _radial,
}
