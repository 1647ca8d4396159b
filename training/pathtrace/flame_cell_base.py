"""What a flame-sensing cell sits in and hangs on: flanges, sockets, brackets with holes, and leads."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace import flame_cell_finish as finish
from wearvision_training.pathtrace.mesh import bar, grid_mesh, joined, plane_uv
from wearvision_training.pathtrace.solid import Finish, Mesh, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.flame_cell import PLATE_THICKNESS
from wearvision_training.sketch.flame_cell_raster import grid
from wearvision_training.sketch.noise import generator

Parameters = Mapping[str, Any]
Array = NDArray[np.float64]
OUTLINE, HOLE = 160, 40
"""Points about a plate and about a hole in it."""
SCREWED = 0.25
"""Share of plates with holes that show the screws in them."""


def plate_solids(recipe: Recipe, drop: float, raster: int) -> tuple[Solid, ...]:
    """The plates under a cell, each with thickness, broken edges and its holes."""
    solids, outer = [], float(recipe.design["rim"]["outer"])
    away = grid(raster).r - np.float32(outer)
    for index, plate in enumerate(recipe.design["bases"]):
        rng = generator(recipe.seed, "plate form", index)
        room = max(float(recipe.design["body"]["depth"]) + float(plate["z"]), 0.0)
        thick = max(PLATE_THICKNESS, room * float(rng.uniform(0.3, 1.0)) if room > 0 else 0.0)
        mesh = _plate(plate, float(plate["z"]) - drop, thick, float(rng.uniform(0.004, 0.018)))
        solids.append(Solid(mesh, finish.plate_finish(plate, recipe, index, away, raster)))
        if plate["holes"] and rng.random() < SCREWED:
            solids += [_screw(hole, float(plate["z"]) - drop, rng) for hole in plate["holes"]]
    return tuple(solids)


def _plate(plate: Parameters, top: float, thick: float, broken: float) -> Mesh:
    """A plate with its edges broken by ``broken``."""
    rim = plate_outline(plate)
    middle = np.asarray(plate["centre"], float)
    share = 1 - broken / max(float(np.hypot(*(rim - middle).T).min()), 1e-3)
    within = middle + (rim - middle) * share
    pieces = [_edge([(within, top), (rim, top - broken), (rim, top - thick)])]
    holes = []
    for x, y, radius in plate["holes"]:
        turn = np.linspace(0, 2 * np.pi, HOLE, endpoint=False)
        circle = np.stack([np.cos(turn), np.sin(turn)], 1)
        at, small = np.array([x, y]), min(0.5 * broken, 0.3 * radius)
        # The hole keeps its radius where it is narrowest, as the drawn one.
        holes.append((at, at + (radius + small) * circle, radius + small))
        bore = at + radius * circle
        pieces.append(_edge([(holes[-1][1], top), (bore, top - small), (bore, top - thick)]))
    pieces.append(_face(within, holes, top))
    return joined(*pieces)


def _screw(hole: Any, top: float, rng: np.random.Generator) -> Solid:
    """A pan head in a hole, slotted, crossed or hexagonal inside."""
    x, y, radius = (float(v) for v in hole)
    head, rise = 1.2 * radius, 0.45 * radius
    q = np.array([0.0, 0.3, 0.6, 0.8, 0.9, 0.97, 1.0, 1.0])[:, None]
    z = top + rise * np.array([1.0, 0.99, 0.95, 0.85, 0.7, 0.4, 0.1, -0.3])[:, None]
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    points = np.stack(np.broadcast_arrays(x + head * q * np.cos(turn), y + head * q * np.sin(turn), z), -1)
    uv = np.stack([q * np.cos(turn), q * np.sin(turn)], -1) / 2 + 0.5
    v, u = np.meshgrid(np.linspace(-1, 1, 48), np.linspace(-1, 1, 48), indexing="ij")
    a = rng.uniform(0, np.pi)
    u, v = np.abs(u * np.cos(a) + v * np.sin(a)), np.abs(v * np.cos(a) - u * np.sin(a))
    kind = str(rng.choice(["slot", "cross", "hexagon"]))
    if kind == "hexagon":
        cut = np.maximum(u, 0.5 * u + 0.866 * v) < 0.45
    else:
        cut = (v < 0.13) & (u < (0.95 if kind == "slot" else 0.6))
        cut |= (u < 0.13) & (v < 0.6) & (kind == "cross")
    tone = float(rng.choice([0.6, 0.35, 0.06])) * np.array([1.0, 0.98, 0.94])
    albedo = np.where(cut[..., None], 0.25 * tone, tone).astype(np.float32)
    surface = Finish(albedo, float(rng.uniform(0.25, 0.5)), 0.9, relief=(-0.15 * radius * cut).astype(np.float32))
    return Solid(grid_mesh(points, around=True, uv=uv), surface)


def _edge(rings: list[tuple[Array, float]]) -> Mesh:
    """Bands between rings, with an edge at each ring between."""
    bands = []
    for (upper, high), (lower, low) in itertools.pairwise(rings):
        points = np.stack([_lifted(upper, high), _lifted(lower, low)])
        bands.append(grid_mesh(points, around=True))
    return joined(*bands)


def _lifted(points: Array, z: float) -> Array:
    return np.column_stack([points, np.full(len(points), z)])


def _face(rim: Array, holes: list[tuple[Array, Array, float]], z: float) -> Mesh:
    """The flat top of a convex outline with round holes."""
    from scipy.spatial import Delaunay

    points = np.concatenate([rim, *(ring for _, ring, _ in holes)])
    faces = Delaunay(points).simplices
    middles = points[faces].mean(1)
    keep = np.ones(len(faces), bool)
    for at, _, radius in holes:
        keep &= np.hypot(*(middles - at).T) > radius * 0.999
    flat = _lifted(points, z).astype(np.float32)
    return Mesh(flat, np.ascontiguousarray(faces[keep], np.int32), plane_uv(flat))


def plate_outline(plate: Parameters) -> Array:
    """Points once around a plate, (N, 2) plane units."""
    a, b = (float(v) for v in plate["half"])
    turn = np.linspace(0, 2 * np.pi, OUTLINE, endpoint=False)
    if plate["shape"] == "ellipse":
        around = np.stack([a * np.cos(turn), b * np.sin(turn)], 1)
    elif plate["shape"] == "hexagon":
        # Straight sides between six corners, the corners a little rounded as on a nut.
        sector = np.mod(turn, np.pi / 3) - np.pi / 6
        reach = np.minimum(a * np.sqrt(0.75) / np.cos(sector), 0.99 * a)
        around = np.stack([reach * np.cos(turn), reach * np.sin(turn)], 1)
    else:
        corner = min(float(plate["corner"]), 0.9 * min(a, b))
        signs = np.stack([np.sign(np.cos(turn + 1e-6)), np.sign(np.sin(turn + 1e-6))], 1)
        around = signs * (a - corner, b - corner) + corner * np.stack([np.cos(turn), np.sin(turn)], 1)
    return np.asarray(around + np.asarray(plate["centre"], float))


def lead_solids(recipe: Recipe, drop: float, foot: float) -> tuple[Solid, ...]:
    """Bare wires, or insulated ones with their core showing at the end."""
    solids = []
    rng = generator(recipe.seed, "leads")
    for wire in recipe.design["leads"]:
        radius = float(wire["width"]) / 2
        points = np.asarray(wire["points"], float)
        # Under the element, however thin the cell and thick the wire.
        under = float(recipe.design["window"]["z"]) - radius - 0.012
        start = min(-0.75 * float(recipe.design["body"]["depth"]), under) - drop
        low = max(foot + radius, start - float(rng.uniform(0, 0.3)))
        course = np.column_stack([points, np.linspace(start, min(low, start), len(points))])
        bare = float(wire["metal"]) > 0.1
        colour = np.asarray(wire["colour"], np.float32)
        surface = Finish(colour, 0.35, 1.0) if bare else Finish(colour, float(rng.uniform(0.3, 0.6)), 0.0, 0.2)
        cut = len(course) if bare else len(course) - 1
        solids.append(Solid(bar(course[:cut], radius), surface))
        if not bare:
            core = course[-2] + np.linspace(-0.5, 1, 4)[:, None] * (course[-1] - course[-2])
            solids.append(Solid(bar(core, 0.5 * radius), Finish(np.array([0.6, 0.36, 0.2], np.float32), 0.4, 1.0)))
    return tuple(solids)
