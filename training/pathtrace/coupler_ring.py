"""Where the points of a coupler's end lie: directions and radii, close together at corners, teeth and steps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.coupler_form import ANGLES, SAMPLES, Curve, EndForm, smoothed
from wearvision_training.pathtrace.coupler_finish import spread
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.noise import generator

Record = Mapping[str, Any]
Table = NDArray[np.float64]
TURNS = 640
"""Points around: enough for both edges of 24 splines."""
LEAST_EDGE = 0.010
"""Plane units: moulds have no sharper edges, a tenth or two of a millimetre."""


@dataclass(frozen=True, slots=True)
class Ring:
    """Curves of an end at the mesh's own directions, closed: the last repeats the first.

    Attributes:
        angles: (A,) radians. share: (A,) turn from 0 to 1.
        index: Into curves at ``ANGLES``.
        outline, nominal, opening, moulded: (A,) radii.
        edge: (A,) rounding of the outer edge. lip: that of the socket's.
    """

    angles: Table
    share: Table
    index: NDArray[np.intp]
    outline: Table
    nominal: Table
    opening: Table
    moulded: Table
    edge: Table
    lip: float


def _bend(curve: Curve) -> Curve:
    """How much a closed curve turns at each of ``ANGLES``, summing to 1; smoothed: corners get several points."""
    x, y = curve * np.cos(ANGLES), curve * np.sin(ANGLES)
    heading = np.arctan2(np.roll(y, -1) - y, np.roll(x, -1) - x)
    turn = np.abs((heading - np.roll(heading, 1) + math.pi) % (2 * math.pi) - math.pi)
    extra = smoothed(np.maximum(turn - 2 * math.pi / SAMPLES, 0), 9) + 1e-9
    return np.asarray(extra / extra.sum())


def ring_of(recipe: Recipe, form: EndForm) -> Ring:
    """Directions and curves of one end."""
    face = recipe.design["face"]
    density = 0.45 / SAMPLES + 0.25 * _bend(form.outline) + 0.3 * _bend(form.opening)
    if face["kind"] in ("pockets", "spokes"):
        wave = np.abs(np.sin(int(face["count"]) * ANGLES))
        density = density + 0.4 * wave / wave.sum()
    share = spread(density, TURNS)
    share = np.append(share, share[0] + 1)
    angles = share * 2 * math.pi - math.pi
    curves = (form.outline, form.nominal, form.opening, form.moulded)
    outline, nominal, opening, moulded = (np.interp(angles, ANGLES, c, period=2 * math.pi) for c in curves)
    rng = generator(recipe.seed, "edges")
    least = LEAST_EDGE * rng.uniform(0.8, 2.2)
    # Melted plastic draws itself round.
    edge = np.maximum(float(face["chamfer"]), least) + np.minimum(0.5 * np.abs(outline - nominal), 0.05)
    index = ((angles + math.pi) * (SAMPLES / (2 * math.pi))).astype(np.intp) % SAMPLES
    lip = max(float(face["lead_in"]), 0.6 * least)
    return Ring(angles, share, index, outline, nominal, opening, moulded, edge, lip)


def rows_of(*pieces: tuple[Table, Table, int]) -> Table:
    """Radii from one breakpoint to the next, (K, A): start, stop, number of steps of each piece."""
    made = [pieces[0][0][None]]
    for start, stop, steps in pieces:
        made.append(start + (stop - start) * (np.arange(1, steps + 1)[:, None] / steps))
    return np.concatenate(made)


def face_radii(face: Record, form: EndForm, ring: Ring) -> Table:
    """Radii of the front face's rings: close together at its edges and the steps of its relief."""
    inner, outer = ring.opening + ring.lip, ring.outline - ring.edge
    outer = np.maximum(outer, inner + 0.004)
    low, high = float(form.moulded.max()), float(form.nominal.min())
    soft = 0.02
    pieces: list[tuple[Table, Table, int]] = [(ring.opening, inner, 4)]
    last = inner
    start, stop_share = float(face["start"]), float(face["stop"])
    steps: dict[str, list[float]] = {"plain": [], "dished": [0.5], "counterbore": [start], "boss": [start]}
    for share in steps.get(face["kind"], [start, stop_share]):
        for side in (-soft / 2, soft / 2):
            if face["concentric"] and high > low + 0.08:
                radius = np.full_like(inner, low + (share + side) * (high - low))
            else:
                radius = ring.moulded + (share + side) * (ring.nominal - ring.moulded)
            stop = np.clip(radius, last, outer)
            pieces.append((last, stop, 6 if side < 0 else 3))
            last = stop
    pieces += [(last, outer, 6 if len(pieces) > 1 else 16), (outer, ring.outline, 6)]
    return rows_of(*pieces)
