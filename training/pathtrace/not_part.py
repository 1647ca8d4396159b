"""Models the things that are not parts; they have no truth but what they are not."""

from __future__ import annotations

import numpy as np

from wearvision_training.pathtrace.mesh import grid_mesh
from wearvision_training.pathtrace.solid import Finish, Model, Solid
from wearvision_training.pathtrace.things import floor_of, make_thing
from wearvision_training.recipe import Recipe
from wearvision_training.sketch import motifs
from wearvision_training.sketch.noise import generator


def model(recipe: Recipe, raster: int) -> Model:
    """The thing of a recipe of part ``"none"``; an empty bench has no bodies.

    Args:
        recipe: Its design and seed are used.
        raster: Pixels along a side of the textures.
    """
    design = recipe.design
    solids = (_print(recipe, raster),) if design["fills_frame"] else make_thing(design, raster, recipe.seed)
    return Model(solids, {}, {}, floor_of(solids), mm_per_unit=float(design["mm_per_unit"]))


def _print(recipe: Recipe, raster: int) -> Solid:
    """A picture that fills the frame: a printed sheet under the camera, larger than what the camera sees."""
    layer = recipe.design["layers"][0]
    albedo, _ = motifs.surface(layer, raster, generator(recipe.seed, "layer", 0))
    across = np.array([-1.0, 1.0])
    x, y = np.meshgrid(across, across)
    sheet = grid_mesh(np.stack([x, y, np.zeros_like(x)], -1))
    gloss = float(layer["gloss"])
    return Solid(sheet, Finish(np.clip(albedo, 0, 1).astype(np.float32), 0.9 - 0.6 * gloss))
