"""The sketch engine: stacks a drawing's slices under a pinhole camera, lights them, photographs them.

Order of work: bench and clutter, the shadow on them, slices from the farthest to the nearest, the veil at
its height, harmless things on the glass, the light field, then the camera. All in linear light up to the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe
from wearvision_training.sketch import onglass
from wearvision_training.sketch.backdrop import paint_bench
from wearvision_training.sketch.canvas import (
    PART,
    WINDOW,
    Canvas,
    Cover,
    Image,
    lay_slice,
    lay_veil,
    shadow_on_bench,
)
from wearvision_training.sketch.drawing import Drawing
from wearvision_training.sketch.sensor import develop
from wearvision_training.sketch.shading import Light, make_light
from wearvision_training.sketch.strewn import strew


@dataclass(frozen=True, slots=True)
class Picture:
    """A rendered drawing.

    Attributes:
        image: The photo, (S, S, 3) uint8 RGB.
        linear: Radiance before the camera and without what lies on the glass, (S, S, 3) float32.
        clear: The same without film and haze (J of the layer equation).
        light: Radiance of a white card at each pixel, shadows included (A and S are scaled by it), (S, S, 3).
        cover: Region name to visible cover, (S, S) float32, 0 to 1.
        film: f as seen, (S, S) float32, 0 outside the visible window.
        haze: h as seen, likewise.
    """

    image: NDArray[np.uint8]
    linear: Image
    clear: Image
    light: Image
    cover: dict[str, Cover]
    film: Cover
    haze: Cover


def render(drawing: Drawing, recipe: Recipe, size: int = 320) -> Picture:
    """Photographs a drawing; the same recipe and drawing give the same bytes in any process.

    Args:
        drawing: The part, from the farthest slice to the nearest.
        recipe: Its scene, camera and seed are used here.
        size: Side of the picture in pixels, ≥ 64.
    """
    if size < 64:
        raise ValueError(f"a picture of {size} pixels is too small to draw; give at least 64")
    cv2.setNumThreads(1)
    light = make_light(recipe.scene["light"], size, recipe.seed)
    canvas = _stack(drawing, recipe, light, size)
    cover = {name: np.clip(seen, 0, 1) for name, seen in canvas.cover.items()}
    cover.setdefault(PART, canvas.part)
    film = haze = np.zeros((size, size), np.float32)
    if canvas.window is not None and canvas.film is not None and canvas.haze is not None:
        cover[WINDOW] = np.clip(canvas.window, 0, 1)
        film, haze = canvas.film * canvas.window, canvas.haze * canvas.window
    photo = onglass.add(canvas.veiled, cover.get(WINDOW), recipe) * light.field
    return Picture(
        image=develop(np.maximum(photo, 0), recipe.camera, light.field.mean((0, 1)), recipe.seed),
        linear=canvas.veiled * light.field,
        clear=canvas.clear * light.field,
        light=light.field * canvas.lit[..., None],
        cover=cover,
        film=film,
        haze=haze,
    )


def _stack(drawing: Drawing, recipe: Recipe, light: Light, size: int) -> Canvas:
    """Bench, clutter, shadow, slices and veil, in reflectance units."""
    lamp, camera = recipe.scene["light"], recipe.camera
    floor = min((piece.z for piece in drawing.slices), default=0.0)
    bench = paint_bench(recipe.scene["bench"], camera, size, recipe.seed)
    canvas = Canvas.over(strew(bench, recipe, light))
    shadow_on_bench(canvas, drawing.slices, camera, lamp, floor - float(recipe.scene["lift"]))
    through = frozenset().union(*(piece.through for piece in drawing.slices))
    waiting = drawing.veil
    for piece in drawing.slices:
        if waiting is not None and piece.z > waiting.z:
            lay_veil(canvas, waiting, camera)
            waiting = None
        lay_slice(canvas, piece, camera, lamp, light, through)
    if waiting is not None:
        lay_veil(canvas, waiting, camera)
    return canvas


def visible_ratio(picture: Picture, region: str, over: tuple[str, ...]) -> float | None:
    """Visible area of a region over that of the union of others; None where those are not in the picture."""
    covers = [picture.cover[name] for name in over if name in picture.cover]
    whole = np.maximum.reduce(covers) if covers else None
    if whole is None or float(whole.sum()) < 1:
        return None
    marked = picture.cover.get(region)
    return 0.0 if marked is None else float(np.minimum(marked, whole).sum()) / float(whole.sum())


def window_mean(picture: Picture, weight: Cover) -> float | None:
    """Mean of f or h over the visible window; None without a window in the picture."""
    window = picture.cover.get(WINDOW)
    if window is None or float(window.sum()) < 1:
        return None
    return float(weight.sum()) / float(window.sum())


def as_mask(cover: Cover) -> NDArray[np.bool_]:
    """Cover as a bool mask of the same area, so that a crack thinner than a pixel is neither lost nor fattened."""
    area = float(cover.sum())
    half = np.asarray(cover >= 0.5)
    if area < 0.5 or abs(int(half.sum()) - area) <= 0.1 * area:
        return half
    some = np.sort(cover[cover > 0.15])[::-1]
    if len(some) == 0:
        return half
    return np.asarray(cover >= max(float(some[min(round(area), len(some)) - 1]), 0.15))
