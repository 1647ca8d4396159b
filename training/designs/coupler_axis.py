"""The side of a drive coupler as curves along its axis: radius, centre line, and its cracks.

``s`` runs along the axis and ``n`` across it, plane units, both straight for a part that is not bent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.coupler_form import path_length

Curve = NDArray[np.float64]
Record = Mapping[str, Any]

SAMPLES = 2048
STATIONS: Curve = (np.arange(SAMPLES, dtype=np.float64) + 0.5) * (2.0 / SAMPLES) - 1.0
HORIZON = 1.2
"""Radians from the line nearest the camera; a crack past it lies on the horizon and is not seen."""


def radius_curve(design: Record) -> Curve:
    """Outer radius at ``STATIONS``, 0 beyond the ends.

    Args:
        design: ``knots`` ([s, radius], steps allowed), ``rings`` (at, width, height, soft), ``bellows``
            (start, stop, count, depth) or None, ``edge`` (radius of the rounded end edges).
    """
    knots = np.asarray(design["knots"], dtype=np.float64)
    radius = np.interp(STATIONS, knots[:, 0], knots[:, 1])
    bellows = design.get("bellows")
    if bellows:
        start, stop = float(bellows["start"]), float(bellows["stop"])
        turns = (STATIONS - start) / (stop - start) * int(bellows["count"])
        fold = 0.5 - 0.5 * np.cos(2 * math.pi * turns)
        inside = (start < STATIONS) & (stop > STATIONS)
        radius = np.where(inside, radius - float(bellows["depth"]) * (1 - fold), radius)
    for ring in design.get("rings", ()):
        off = np.abs(STATIONS - float(ring["at"])) - float(ring["width"]) / 2
        radius = radius + float(ring["height"]) * np.clip(0.5 - off / float(ring["soft"]), 0.0, 1.0)
    edge = float(design["edge"])
    depth = np.minimum(STATIONS - knots[0, 0], knots[-1, 0] - STATIONS)
    into = np.clip(1.0 - depth / edge, 0.0, 1.0)
    radius = radius - edge * (1.0 - np.sqrt(1.0 - into**2))
    return np.where(depth > 0, radius, 0.0)


@dataclass(frozen=True, slots=True)
class SideForm:
    """A side's curves.

    Attributes:
        radius: Outer radius at ``STATIONS``.
        bend, slope: Offset of the centre line in y and its derivative, at ``STATIONS``.
        chord: s of the two end pieces' centres.
        diameter: Largest outer diameter as designed.
        cracks: Visible polylines (n, 2) x, y.
        scale: At most 1: what a bent part must shrink by as a whole to stay on the part plane. Nothing above
            is shrunk yet; ratios do not feel it.
    """

    radius: Curve
    bend: Curve
    slope: Curve
    chord: tuple[float, float]
    diameter: float
    cracks: tuple[Curve, ...]
    scale: float


def bow_shape(kind: str, along: Curve, at: float) -> Curve:
    """Bend of unit size between 0 and 1, straight beyond: ``arc``, ``wave`` (S) or ``kink`` at ``at``."""
    inner = np.clip(along, 0.0, 1.0)
    if kind == "arc":
        inside, before, after = 4 * inner * (1 - inner), 4.0, -4.0
    elif kind == "wave":
        inside, before, after = np.sin(2 * math.pi * inner), 2 * math.pi, 2 * math.pi
    elif kind == "kink":
        # A rounded corner: two straight legs joined by a parabola 0.1 long on either side of the kink.
        reach, fall = 0.1, 1 / at + 1 / (1 - at)
        off = inner - at
        legs = np.where(off < 0, inner / at, (1 - inner) / (1 - at))
        inside = legs - fall * np.clip(reach - np.abs(off), 0.0, None) ** 2 / (4 * reach)
        peak = float(inside.max())
        inside, before, after = inside / peak, 1 / at / peak, -1 / (1 - at) / peak
    else:
        raise ValueError(f"bow kind must be arc, wave or kink, got {kind!r}")
    return inside + before * np.minimum(along, 0.0) + after * np.maximum(along - 1.0, 0.0)


def centre_line(design: Record, wear: Record) -> tuple[Curve, Curve, tuple[float, float]]:
    """Offset of the centre line at ``STATIONS``, its slope, and the s of the end pieces' centres."""
    first, last = float(design["knots"][0][0]), float(design["knots"][-1][0])
    chord = (first + float(design["ends"][0]) / 2, last - float(design["ends"][1]) / 2)
    bow = wear.get("bow")
    if not bow or not bow["ratio"]:
        return np.zeros(SAMPLES), np.zeros(SAMPLES), chord
    length = chord[1] - chord[0]
    shape = bow_shape(bow["kind"], (STATIONS - chord[0]) / length, float(bow.get("at", 0.5)))
    bend = float(bow["sign"]) * float(bow["ratio"]) * length * shape
    return bend, np.gradient(bend, STATIONS), chord


def to_plane(path: Curve, bend: Curve, slope: Curve) -> Curve:
    """Axis coordinates (s, n) to the part plane (x, y)."""
    offset, lean = np.interp(path[:, 0], STATIONS, bend), np.interp(path[:, 0], STATIONS, slope)
    norm = np.sqrt(1 + lean**2)
    return np.stack((path[:, 0] - path[:, 1] * lean / norm, offset + path[:, 1] / norm), axis=1)


def crack_path(crack: Record, design: Record, radius: Curve, diameter: float) -> Curve:
    """One crack in axis coordinates (s, n): ring, longitudinal or helical by its ``lean``.

    Walks over the surface from ``at``, ``around`` until it is ``ratio`` diameters long as seen from the
    side, or leaves the visible half or the part.
    """
    rng = np.random.default_rng(int(crack["seed"]))
    first, last = float(design["knots"][0][0]), float(design["knots"][-1][0])
    s, around = first + float(crack["at"]) * (last - first), float(crack["around"])
    target, drift = float(crack["ratio"]) * diameter, 0.0
    step = max(target / 48, 1e-4)
    path: list[tuple[float, float]] = []
    length = 0.0
    while len(path) < 160 and abs(around) < HORIZON and first + 0.01 < s < last - 0.01:
        here = float(np.interp(s, STATIONS, radius))
        path.append((s, here * math.sin(around)))
        if len(path) > 1:
            length += math.dist(path[-1], path[-2])
            if length >= target:
                break
        drift = 0.85 * drift + float(crack["wander"]) * rng.normal()
        heading = float(crack["lean"]) + drift
        s += step * math.cos(heading)
        around += step * math.sin(heading) / max(here, 0.03)
    return np.asarray(path, dtype=np.float64).reshape(-1, 2)


def side_form(design: Record, wear: Record) -> SideForm:
    """Curves of one side from its records."""
    radius = radius_curve(design)
    diameter = 2 * float(radius.max())
    bend, slope, chord = centre_line(design, wear)
    paths = (crack_path(c, design, radius, diameter) for c in wear.get("cracks", ()))
    cracks = tuple(to_plane(path, bend, slope) for path in paths if len(path) > 1)
    return SideForm(radius, bend, slope, chord, diameter, cracks, _scale(radius, bend, slope))


def _scale(radius: Curve, bend: Curve, slope: Curve) -> float:
    """How far the bent silhouette must shrink to keep within 0.96 of the plane's half side."""
    solid = radius > 0
    edges = [to_plane(np.stack((STATIONS, sign * radius), axis=1)[solid], bend, slope) for sign in (-1, 1)]
    return min(1.0, 0.96 / float(np.abs(np.concatenate(edges)).max()))


def side_measures(form: SideForm) -> dict[str, float]:
    """Truth of the wear standard's form measures of a side."""
    between = (form.chord[0] <= STATIONS) & (form.chord[1] >= STATIONS)
    return {
        "crack_ratio": max((path_length(p) for p in form.cracks), default=0.0) / form.diameter,
        "bow_ratio": float(np.abs(form.bend[between]).max()) / (form.chord[1] - form.chord[0]),
    }
