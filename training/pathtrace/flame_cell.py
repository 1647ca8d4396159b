"""A flame-sensing cell in three dimensions: base, leads, barrel, window and front rim."""

from __future__ import annotations

import numpy as np

from wearvision_training.pathtrace.flame_cell_base import lead_solids, plate_solids
from wearvision_training.pathtrace.flame_cell_housing import Housing, housing_of, housing_solids
from wearvision_training.pathtrace.flame_cell_window import element_solid, pane_of
from wearvision_training.pathtrace.solid import Mask, Model
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.flame_cell import longest_crack
from wearvision_training.sketch.flame_cell_raster import grid
from wearvision_training.wear.flame_cell import rim_deviation


def model(recipe: Recipe, raster: int) -> Model:
    """The cell of a recipe, face up; the rim's outer edge lies at z = 0.

    Args:
        recipe: Its design, wear and seed are used; ``scene["glass"]`` may put water drops on the window.
        raster: Pixels along a side of the part plane's textures, ≥ 64.

    Returns:
        Measures ``crack_ratio`` and ``rim_deviation``; ``notes["trace"]`` is the longest crack's visible main
        path in plane units, [] without one.
    """
    design, wear = recipe.design, recipe.wear
    housing = housing_of(design, wear)
    bodies = housing_solids(recipe, housing, raster)
    foot = min(float(body.mesh.vertices[:, 2].min()) for body in bodies)
    plates = plate_solids(recipe, housing.drop, raster)
    solids = (element_solid(recipe, housing.drop, raster), *bodies, *plates, *lead_solids(recipe, housing.drop, foot))
    trace, ratio = longest_crack(design, wear, housing.tables)
    return Model(
        solids=solids,
        outlines={"rim": (_outline(housing, raster), 0.0)},
        measures={"crack_ratio": ratio, "rim_deviation": rim_deviation(wear["rim"])},
        floor=min(float(body.mesh.vertices[:, 2].min()) for body in solids),
        pane=pane_of(recipe, housing.drop, raster),
        mm_per_unit=float(design["mm_per_unit"]),
        notes={"trace": trace},
    )


def _outline(housing: Housing, raster: int) -> Mask:
    whole = grid(raster)
    return np.asarray(whole.edge(housing.tables.outer[whole.theta] - whole.r) >= 0.5)
