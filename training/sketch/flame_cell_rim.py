"""The front rim of a flame-sensing cell: its outline by direction, its profile, its surface with dirt and marks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.flame_cell import EXTENT
from wearvision_training.sketch.flame_cell_raster import Grid, Plane, dim, mix, plain
from wearvision_training.sketch.noise import generator, smooth
from wearvision_training.wear.flame_cell import ANGLES, rim_offsets

Parameters = Mapping[str, Any]
Table = NDArray[np.float32]
LEAST_WALL = 0.3  # a melted rim keeps this share of its width, and closes over the window instead
GLYPH_STROKES = 4


@dataclass(frozen=True, slots=True)
class RimTables:
    """The front rim by direction: radii at ``ANGLES``, in plane units.

    Attributes:
        smooth: Outer edge without notches, keys and knurling; the measured outline.
        outer: Outer edge as drawn.
        inner: Edge of the opening.
        offsets: Departure from the circle when new, in radii.
    """

    smooth: Table
    outer: Table
    inner: Table
    offsets: Table


@dataclass(frozen=True, slots=True)
class RimSurface:
    """What the front rim's surface looks like, over the grid of the part.

    Attributes:
        albedo: Linear RGB.
        scratch, stamp, grime, burn: Cover of scratches, of stamped signs, of dirt and of browning, 0 to 1.
    """

    albedo: Plane
    scratch: Plane
    stamp: Plane
    grime: Plane
    burn: Plane


def rim_tables(design: Parameters, wear: Parameters) -> RimTables:
    """The rim's radii by direction, as worn."""
    rim = design["rim"]
    radius, opening = float(rim["outer"]), float(rim["inner"])
    offsets = rim_offsets(wear["rim"])
    edge = radius * (1 + offsets)
    features = np.zeros_like(edge)
    if rim["knurl"]:
        features -= rim["knurl_depth"] * (0.5 + 0.5 * np.cos(rim["knurl"] * ANGLES))
    for notch in rim["notches"]:
        away = np.abs(np.mod(ANGLES - notch["angle"] + np.pi, 2 * np.pi) - np.pi)
        features += notch["depth"] * np.clip((notch["width"] / 2 - away) / 0.02 + 0.5, 0, 1)
    # The opening lies about the window, which may be a little off the middle.
    cx, cy = design["window"]["offset"]
    along = cx * np.cos(ANGLES) + cy * np.sin(ANGLES)
    across = cx * np.sin(ANGLES) - cy * np.cos(ANGLES)
    inner = along + np.sqrt(opening**2 - across**2) + 0.4 * radius * np.minimum(offsets, 0)
    wall = LEAST_WALL * (radius - opening)
    inner = np.minimum(inner, edge - wall)
    outer = np.clip(np.maximum(edge + features, inner + 0.5 * wall), 0, EXTENT)
    tables = (edge, outer, inner, offsets)
    return RimTables(*(table.astype(np.float32) for table in tables))


def rim_height(rim: Parameters, t: Plane, part: Grid) -> Plane:
    """Height of the rim over a grid, t from 0 at its opening to 1 at its outer edge."""
    relief = rim_profile(rim, t)
    if rim["knurl"]:
        ribs = np.cos(rim["knurl"] * ANGLES).astype(np.float32)[part.theta]
        relief = relief + np.float32(0.4 * rim["knurl_depth"]) * ribs * np.clip((t - 0.6) * 6, 0, 1)
    return relief.astype(np.float32)


def rim_profile(rim: Parameters, t: Plane) -> Plane:
    """Height of the rim from its opening (t = 0) to its outer edge (t = 1), in plane units, without knurling."""
    profile = rim["profile"]
    if profile == "round":
        shape = np.sqrt(np.clip(1 - (2 * t - 1) ** 2, 0, 1))
    elif profile == "bevel-out":
        shape = np.clip((1 - t) / 0.6, 0, 1)
    elif profile == "bevel-in":
        shape = np.clip(t / 0.6, 0, 1)
    elif profile == "cup":
        shape = t
    else:
        shape = 0.3 * np.clip(np.minimum(t, 1 - t) / 0.12, 0, 1)
    width = float(rim["outer"]) - float(rim["inner"])
    for groove in rim["grooves"]:
        shape = shape - 0.25 * np.exp(-(((t - groove) / 0.035) ** 2))
    return np.asarray(np.float32(rim["relief"] * width) * shape)


def rim_surface(
    design: Parameters, wear: Parameters, rim: RimTables, t: Plane, part: Grid, seed: int, *, lit: bool = True
) -> RimSurface:
    """Grain, grooves, stamps, scratches, dirt and the browning of melted plastic.

    Args:
        t: From 0 at the opening to 1 at the outer edge, over ``part``.
        lit: Whether grooves are drawn as dark as they look under a lamp; else only as dark as what lies in them.
    """
    rng, base = generator(seed, "rim"), np.array(design["rim"]["colour"])
    albedo = plain((t.shape[0], t.shape[1]), design["rim"]["colour"])
    shape = (t.shape[0], t.shape[1])
    cloud = smooth(rng, shape, (7, 7))
    fine = smooth(rng, shape, (110, 110))
    tone = 1 + np.float32(design["rim"]["grain"]) * (0.6 * fine + 0.5 * cloud)
    for groove in design["rim"]["grooves"]:
        tone -= (0.45 if lit else 0.15) * np.exp(-(((t - groove) / 0.025) ** 2))
    dim(albedo, tone)
    scratch, stamp = _marks(albedo, design, base, part, rng)
    burn = grime = np.zeros(shape, np.float32)
    if wear["rim"]["browned"] > 0.02:
        near = np.clip(np.abs(rim.offsets) / max(float(np.abs(rim.offsets).max()), 1e-6) * 1.5 - 0.3, 0, 1)
        burn = near[part.theta] * np.clip(0.4 + 0.6 * t + 0.4 * cloud, 0, 1) * np.float32(wear["rim"]["browned"])
        mix(albedo, (0.05, 0.028, 0.015), 0.85 * burn)
    if wear["dirt"] > 0.02:
        grime = np.clip(0.35 + 0.8 * cloud + 0.25 * fine, 0, 1) * np.float32(wear["dirt"])
        mix(albedo, (0.035, 0.028, 0.02), 0.75 * grime)
    np.clip(albedo, 0.003, 1, out=albedo)
    return RimSurface(albedo, scratch, stamp, grime, burn)


def _marks(
    albedo: Plane, design: Parameters, base: NDArray[Any], part: Grid, rng: np.random.Generator
) -> tuple[Plane, Plane]:
    """Scratches, and a row of stamped signs that are no letters of any script; their covers. Neither is wear."""
    marks, rim = design["marks"], design["rim"]
    inner, outer = float(rim["inner"]), float(rim["outer"])
    width = outer - inner
    scratch = stamp = np.zeros((albedo.shape[0], albedo.shape[1]), np.float32)
    scratches = []
    for _ in range(int(marks["scratches"])):
        angle, reach = rng.uniform(0, 2 * np.pi) + np.linspace(0, rng.uniform(0.05, 0.5), 6), rng.uniform(0, 1)
        radii = inner + width * np.clip(reach + np.linspace(0, rng.normal(0, 0.5), 6), 0.02, 0.98)
        scratches.append(np.stack([radii * np.cos(angle), radii * np.sin(angle)], 1))
    if scratches:
        tone = rng.choice([0.5, 1.6])
        scratch = part.lines(scratches, 0.004)
        mix(albedo, np.clip(base * tone + 0.08 * (tone > 1), 0, 1), 0.5 * scratch)
    if not marks["stamps"] or width < 0.09:
        return scratch, stamp
    height, strokes = 0.4 * min(width, 0.2), []
    for sign in range(int(marks["stamps"])):
        angle = marks["stamp_angle"] + sign * 1.1 * height / (inner + 0.5 * width)
        up = np.array([np.cos(angle), np.sin(angle)])
        side = np.array([-up[1], up[0]])
        cells = rng.integers(-1, 2, (GLYPH_STROKES, 2)) * (0.35, 0.5)
        strokes.append(up * (inner + 0.5 * width) + height * (cells @ np.stack([side, up])))
    ink = np.clip(base * (1 + marks["stamp_tone"]) + 0.3 * max(marks["stamp_tone"], 0), 0.005, 0.9)
    stamp = part.lines(strokes, max(0.12 * height, 0.005))
    mix(albedo, ink, 0.8 * stamp)
    return scratch, stamp
