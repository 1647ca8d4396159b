"""Housing of a flame-sensing cell as meshes: front rim, barrel, and the wall down to a recessed window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.flame_cell import EXTENT
from wearvision_training.pathtrace import flame_cell_finish as finish
from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Mesh, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.flame_cell_rim import RimTables, rim_profile, rim_tables
from wearvision_training.sketch.noise import generator
from wearvision_training.wear.flame_cell import ANGLES

Parameters = Mapping[str, Any]
Array = NDArray[np.float64]
AROUND, AROUND_KNURLED = 448, 640
"""Directions of the mesh: a knurl has up to 90 ribs, and needs seven to each."""
FILLET = 4
"""Steps of a rounded edge: few, but enough to catch a soft highlight."""
FOOT = 0.02
"""A wall goes this far below the window, so that no gap shows."""


@dataclass(frozen=True, slots=True)
class Housing:
    """A housing's form.

    Attributes:
        tables: The front rim by direction, as the sketch has it.
        angles: Directions of the mesh.
        drop: Height of the rim's outer edge over the sketch's plane: bodies lie lower by it, so that edge is at 0.
    """

    tables: RimTables
    angles: Array
    drop: float

    def at(self, table: NDArray[Any]) -> Array:
        """A table over ``ANGLES`` at the directions of the mesh."""
        return np.asarray(np.interp(self.angles, ANGLES, table, period=2 * np.pi))


def housing_of(design: Parameters, wear: Parameters) -> Housing:
    """The form of a design as worn."""
    count = AROUND_KNURLED if design["rim"]["knurl"] else AROUND
    edge = float(rim_profile(design["rim"], np.array([0.98], np.float32))[0])
    return Housing(
        rim_tables(design, wear),
        np.linspace(0, 2 * np.pi, count, endpoint=False),
        max(edge, 0.0) if design["rim"]["profile"] in ("cup", "bevel-in") else 0.0,
    )


def housing_solids(recipe: Recipe, housing: Housing, raster: int) -> tuple[Solid, ...]:
    """Rim, barrel and inner wall."""
    rim, edge, mouth = _rim(recipe.design, housing)
    barrel = _barrel(recipe, housing, edge)
    wall = _wall(recipe.design, housing, mouth)
    return (
        Solid(rim, finish.rim_finish(recipe, housing.tables, raster)),
        Solid(barrel, finish.side_finish(recipe, "barrel")),
        Solid(wall, finish.side_finish(recipe, "wall")),
    )


def _rim(design: Parameters, housing: Housing) -> tuple[Mesh, float, Array]:
    """The rim's top with its rounded edges; the height where the barrel begins, and that of the opening's edge."""
    rim, tables = design["rim"], housing.tables
    inner, outer, smooth = (housing.at(table) for table in (tables.inner, tables.outer, tables.smooth))
    width = outer - inner
    t = _places(rim)
    radii = inner + t[:, None] * width
    seen = np.clip((radii - inner) / np.maximum(smooth - inner, 1e-4), 0, 1)
    heights = np.asarray(rim_profile(rim, seen.astype(np.float32)), float) - housing.drop
    if rim["knurl"]:
        ribs = np.cos(rim["knurl"] * housing.angles)
        heights += 0.4 * rim["knurl_depth"] * ribs * np.clip((seen - 0.6) * 6, 0, 1)
    recess = -float(design["window"]["z"])
    small, large = min(0.008, 0.4 * recess, 0.1 * float(width.min())), min(0.016, 0.15 * float(width.min()))
    quarter = np.linspace(0, np.pi / 2, FILLET + 1)[:-1, None]
    lip = (inner + small * (1 - np.sin(quarter)), heights[0] - small * (1 - np.cos(quarter)))
    round_off = np.pi / 2 - quarter[::-1]
    edge = (outer - large * (1 - np.sin(round_off)), heights[-1] - large * (1 - np.cos(round_off)))
    # The rounded edges take their width from the top's first and last rings.
    radii = np.clip(radii, inner + small, outer - large)
    radii = np.concatenate([lip[0][::-1], radii, edge[0]])
    heights = np.concatenate([lip[1][::-1], heights, edge[1]])
    return ring_band(housing.angles, radii, heights), float(heights[-1].min()), heights[0]


def _places(rim: Parameters) -> Array:
    """Where the rim's rings lie from its opening (0) to its edge (1): closer where the profile bends."""
    places = [0.5 - 0.5 * np.cos(np.linspace(0, np.pi, 21)), np.array([0.12, 0.4, 0.6, 0.88])]
    places += [groove + 0.035 * np.linspace(-1.8, 1.8, 7) for groove in rim["grooves"]]
    return np.unique(np.clip(np.concatenate(places), 0, 1).round(4))


def _barrel(recipe: Recipe, housing: Housing, top: float) -> Mesh:
    """The outer side from the rim's edge to the foot."""
    design, rng = recipe.design, generator(recipe.seed, "barrel form")
    body, radius = design["body"], float(design["rim"]["outer"])
    depth = max(float(body["depth"]), 0.02)
    offsets, tables = housing.at(housing.tables.offsets), housing.tables
    features = housing.at(tables.outer) - housing.at(tables.smooth)
    down, turned = _side_profile(depth, rng)
    reach = 1.0 if rng.random() < 0.5 else float(rng.uniform(0.3, 0.9))
    fade = np.clip((reach - down) / 0.01 + 0.5, 0, 1)[:, None]
    # Heat bends the front most; the foot keeps its shape.
    around = (1 + offsets * (1 - 0.8 * down[:, None])) * (1 - (1 - float(body["taper"])) * down[:, None])
    radii = radius * around + features * fade + turned[:, None]
    radii[0] = housing.at(tables.outer)
    radii[1:] -= 0.003
    foot = -depth - housing.drop
    heights = top + (foot - top) * down
    heights = np.concatenate([heights, [foot - 0.006]])
    radii = np.concatenate([np.clip(radii, 0.1, EXTENT), np.maximum(radii[-1:] - 0.01, 0.1)])
    return ring_band(housing.angles, radii, heights[:, None], own=True)


def _side_profile(depth: float, rng: np.random.Generator) -> tuple[Array, Array]:
    """Places from the front (0) to the foot (1), and how far a seam, a bead or the foot's flange stand out there."""
    places = [np.linspace(0, 1, 9), np.array([0.004])]
    out = []
    if rng.random() < 0.45:  # the seam where a cap sits on its body
        out.append((float(rng.uniform(0.15, 0.5)), 0.012 / depth, -float(rng.uniform(0.006, 0.016))))
    if rng.random() < 0.3:
        out.append((float(rng.uniform(0.3, 0.8)), 0.02 / depth, float(rng.uniform(0.006, 0.014))))
    if rng.random() < 0.3:
        out.append((1.0, 0.03 / depth, float(rng.uniform(0.008, 0.02))))
    places += [at + wide * np.linspace(-1.6, 1.6, 9) for at, wide, _ in out]
    down = np.unique(np.clip(np.concatenate(places), 0, 1).round(5))
    turned = np.zeros_like(down)
    for at, wide, far in out:
        turned += far * np.clip((wide * 1.2 - np.abs(down - at)) / (0.4 * wide), 0, 1)
    turned[0] = 0.0
    return down, turned


def _wall(design: Parameters, housing: Housing, mouth: Array) -> Mesh:
    """From the opening's edge down to the window's circle, which may lie a little off the middle."""
    window = design["window"]
    cx, cy = (float(v) for v in window["offset"])
    angles, radius = housing.angles, float(window["radius"])
    along = cx * np.cos(angles) + cy * np.sin(angles)
    across = cx * np.sin(angles) - cy * np.cos(angles)
    circle = along + np.sqrt(radius**2 - across**2)
    inner, glass = housing.at(housing.tables.inner), float(window["z"]) - housing.drop
    down = np.linspace(0, 1, 9)[:, None]
    radii = np.concatenate([inner + (circle - inner) * down, circle[None]])
    heights = np.concatenate([mouth + (glass - mouth) * down, np.full((1, len(angles)), glass - FOOT)])
    return ring_band(angles, radii, heights, own=True)


def ring_band(angles: Array, radii: Array, heights: Array, *, own: bool = False) -> Mesh:
    """A surface about the z axis through rings.

    Args:
        angles: (A,) directions. radii, heights: (K, A), heights also (K, 1).
        own: Texture coordinates by turn and by ring's place; else of the part plane.
    """
    x, y, z = np.broadcast_arrays(radii * np.cos(angles), radii * np.sin(angles), heights)
    uv = None
    if own:
        rise = np.abs(np.diff(z.mean(1))) + np.abs(np.diff(np.asarray(radii).mean(1)))
        place = np.concatenate([[0.0], np.cumsum(rise)]) / max(float(rise.sum()), 1e-9)
        uv = np.stack(np.broadcast_arrays(angles / (2 * np.pi), place[:, None]), -1)
    return grid_mesh(np.stack([x, y, z], -1), around=True, uv=uv)
