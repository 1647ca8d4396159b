"""Carbon across an electrode's gap as a heap of lumps."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.electrode_form import outward
from wearvision_training.pathtrace.mesh import grid_mesh, joined
from wearvision_training.pathtrace.solid import Mesh, Plane
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.electrode_deposit import growth_lumps
from wearvision_training.sketch.noise import generator

Points = NDArray[np.float64]
GRAINS = 26


def heap(recipe: Recipe, far_z: float, metal: Plane) -> Mesh:
    """The lumps of a growth, and grains on them.

    Args:
        recipe: Its wear has a growth.
        far_z: Height of the metal that it grows towards; it starts at the rod, at height 0.
        metal: Height of the rods' surface over the part plane, (P, P): where a lump lies on a rod it wraps it.
    """
    spots, sizes = growth_lumps(recipe, generator(recipe.seed, "growth"))
    rng = generator(recipe.seed, "heap")
    share = np.linspace(0, 1, len(spots)) * (1.0 if recipe.wear["growth"]["fraction"] >= 1 else 0.5)
    z = far_z * share + 0.25 * sizes * rng.uniform(-1, 1, len(spots))
    centres = np.column_stack([spots, z])
    deep = np.maximum(sizes, _wrapping(spots, sizes, metal))
    made = [_lump(c, (r, r, z), 14, 20, rng) for c, r, z in zip(centres, sizes, deep, strict=True)]
    for _ in range(GRAINS):
        k = int(rng.integers(len(centres)))
        away = rng.standard_normal(3)
        away *= 0.82 * np.array([sizes[k], sizes[k], deep[k]]) / np.linalg.norm(away)
        made.append(_lump(centres[k] + away, np.full(3, sizes[k] * rng.uniform(0.14, 0.34)), 6, 9, rng))
    return joined(*made)


def _wrapping(spots: Points, sizes: Points, metal: Plane) -> Points:
    """Half-depths, (N,), that bring lumps out of the metal under them; 0 where there is none."""
    half = metal.shape[0] / 2
    reach = max(1, round(float(sizes.mean()) * half))
    highest = cv2.dilate(metal, np.ones((reach, reach), np.uint8))
    at = np.clip(((spots + 1) * half).astype(int), 0, metal.shape[0] - 1)
    under = highest[at[:, 1], at[:, 0]]
    # An egg falls off towards its edge: a third more than the metal's height covers two thirds of its width.
    return np.asarray(np.where(under > 0, 1.35 * under + 0.3 * sizes, 0.0))


def _lump(centre: Points, radii: Sequence[float] | Points, rows: int, columns: int, rng: np.random.Generator) -> Mesh:
    """An egg with dents and knobs, between 0.78 and 1.08 of its radii, (3,)."""
    polar, turn = np.linspace(0, np.pi, rows)[:, None], np.linspace(0, 2 * np.pi, columns, endpoint=False)[None, :]
    unit = np.stack(np.broadcast_arrays(np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)), -1)
    waves = ((1.5, 2.5), (2.0, 5.0), (3.0, 9.0))
    bumps = sum(np.sin(unit @ (rng.standard_normal(3) * pace) + rng.uniform(0, 6)) / k for k, pace in waves)
    grown = np.clip(0.97 + 0.09 * np.asarray(bumps), 0.78, 1.08)
    return outward(grid_mesh(centre + unit * grown[..., None] * np.asarray(radii), around=True))
