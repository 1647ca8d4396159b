"""Lays the clutter of a scene on its bench: small not-parts, drawn by their own drawer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe
from wearvision_training.sketch.canvas import Canvas, lay_slice, shadow_on_bench
from wearvision_training.sketch.not_part import draw_design
from wearvision_training.sketch.shading import Light


def strew(bench: NDArray[np.float32], recipe: Recipe, light: Light) -> NDArray[np.float32]:
    """The bench, (S, S, 3) in reflectance units, with ``scene["clutter"]`` on it; drawn in place."""
    size = bench.shape[0]
    lamp = recipe.scene["light"]
    for number, item in enumerate(recipe.scene.get("clutter", ())):
        scale = float(item["size"])
        camera = {
            **recipe.camera,
            "scale": scale,
            "shift": item["at"],
            "turn_deg": item["turn_deg"],
            "distance": float(recipe.camera["distance"]) * float(recipe.camera["scale"]) / scale,
        }
        raster = int(np.clip(16 * round(1.2 * scale * size / 16), 48, size))
        drawing = draw_design(item["design"], raster, recipe.seed + 101 * number)
        canvas = Canvas.over(bench)
        floor = min((piece.z for piece in drawing.slices), default=0.0)
        shadow_on_bench(canvas, drawing.slices, camera, lamp, floor - 0.03)
        for piece in drawing.slices:
            lay_slice(canvas, piece, camera, lamp, light, frozenset())
    return bench
