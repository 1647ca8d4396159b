"""The sketch drawer of the drive coupler."""

from __future__ import annotations

from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler_end import draw_end
from wearvision_training.sketch.coupler_side import draw_side
from wearvision_training.sketch.drawing import Drawing


def draw(recipe: Recipe, size: int) -> Drawing:
    """Draws a coupler's end or side.

    Args:
        recipe: Part ``coupler``; its view, design, wear and seed are used.
        size: Side of the rasters in pixels.
    Raises:
        ValueError: on another view.
    """
    if recipe.view == "end":
        return draw_end(recipe, size)
    if recipe.view == "side":
        return draw_side(recipe, size)
    raise ValueError(f"a coupler's view must be 'end' or 'side', got {recipe.view!r}")
