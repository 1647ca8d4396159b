"""The drive coupler in three dimensions."""

from __future__ import annotations

from wearvision_training.pathtrace.coupler_end import model_end
from wearvision_training.pathtrace.coupler_side import model_side
from wearvision_training.pathtrace.solid import Model
from wearvision_training.recipe import Recipe


def model(recipe: Recipe, raster: int) -> Model:
    """A coupler's end or side.

    Args:
        recipe: Part ``coupler``; its view, design, wear and seed are used.
        raster: Side of the textures in pixels.
    Raises:
        ValueError: on another view.
    """
    if recipe.view == "end":
        return model_end(recipe, raster)
    if recipe.view == "side":
        return model_side(recipe, raster)
    raise ValueError(f"a coupler's view must be 'end' or 'side', got {recipe.view!r}")
