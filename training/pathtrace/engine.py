"""The path-tracing engine: pictures a part in its surroundings, lays film and haze over it, photographs it.

The layers over a window are seen by the camera alone, as the wear standard has it, so they are not in the scene:
the clear picture, the light on the window (a white card in its place) and the glass's mirror image are rendered apart
and mixed in linear light, ``I = (1-f)[(1-h)J + hA] + fS``. Regions come from what the camera's rays meet first.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace import layers
from wearvision_training.pathtrace.solid import Model, Pane, Solid
from wearvision_training.pathtrace.tracer import Hits, Stage
from wearvision_training.pathtrace.world import World
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.canvas import PART, WINDOW
from wearvision_training.sketch.engine import Picture
from wearvision_training.sketch.sensor import develop
from wearvision_training.sketch.warp import Placed

FINE = 2
"""Rays per pixel and axis from which regions are taken."""
Cover = NDArray[np.float32]


def render(model: Model, world: World, recipe: Recipe, size: int = 320, *, samples: int = 64) -> Picture:
    """Photographs a model; the same recipe gives the same regions, and the same picture on the same device.

    One thread gives the same bytes. Several threads add up light in another order each time, so that now and then a
    value comes out one step of 255 apart.

    Args:
        model: The part.
        world: Its surroundings.
        recipe: Its camera and seed are used here.
        size: Side of the picture in pixels, ≥ 64, a multiple of 4.
        samples: Paths per pixel.
    """
    if size < 64 or size % 4:
        raise ValueError(f"a picture needs a side of at least 64 pixels that divides by 4, not {size}")
    cv2.setNumThreads(1)
    stage = Stage(model.solids, world, recipe.camera, size)
    clear = stage.picture(samples, recipe.seed)
    hits = stage.hits(FINE)
    cover = _cover(model.solids, hits)
    for name, (mask, z) in model.outlines.items():
        placed = Placed(recipe.camera, size, mask.shape[0], z)
        whole = slice(0, size)
        cover[name] = np.clip(placed.warp(mask.astype(np.float32), (0, 0), (whole, whole)), 0, 1)
    film = haze = np.zeros((size, size), np.float32)
    linear, light = clear, np.ones_like(clear)
    if model.pane is not None and WINDOW in cover:
        film, haze = _veil(model.solids, hits, model.pane)
        clear, linear, light = layers.over_window(
            stage, model.pane, recipe, clear, film, haze, cover[WINDOW], samples
        )
    card = white_of(linear)
    return Picture(
        image=develop(np.maximum(linear, 0), recipe.camera, card, recipe.seed),
        linear=linear, clear=clear, light=light, cover=cover, film=film, haze=haze,
    )  # fmt: skip


def white_of(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Colour of the light as a phone guesses it: between the mean and the brightest tenth of the picture, (3,)."""
    light = linear.reshape(-1, 3)
    bright = light[np.argsort(light.sum(1))[-len(light) // 10 :]]
    guess = np.sqrt(np.maximum(light.mean(0), 1e-6) * np.maximum(np.clip(bright, 0, 20).mean(0), 1e-6))
    return np.asarray(guess / guess.mean(), np.float32)


def _shrunk(fine: NDArray[np.float32]) -> Cover:
    side = fine.shape[0] // FINE
    return np.asarray(fine.reshape(side, FINE, side, FINE).mean((1, 3)), np.float32)


def _looked_up(raster: NDArray[np.generic], uv: NDArray[np.float32]) -> NDArray[np.generic]:
    """Values of a raster (H, W, …) at points uv (N, 2)."""
    height, width = raster.shape[:2]
    column = np.clip((uv[:, 0] * width).astype(np.int32), 0, width - 1)
    row = np.clip((uv[:, 1] * height).astype(np.int32), 0, height - 1)
    return np.asarray(raster[row, column])


def _cover(solids: Sequence[Solid], hits: Hits) -> dict[str, Cover]:
    """Visible cover of every region that some body carries."""
    of_part = (hits.solid >= 0) & (hits.solid < len(solids))
    fine: dict[str, NDArray[np.float32]] = {PART: of_part.astype(np.float32)}
    for index, solid in enumerate(solids):
        here = hits.solid == index
        if not solid.marks or not here.any():
            continue
        uv = hits.uv[here]
        for name, mark in solid.marks.items():
            plane = fine.setdefault(name, np.zeros(hits.solid.shape, np.float32))
            plane[here] = 1.0 if isinstance(mark, bool) else _looked_up(mark, uv)
    return {name: _shrunk(plane) for name, plane in fine.items()}


def _veil(solids: Sequence[Solid], hits: Hits, pane: Pane) -> tuple[Cover, Cover]:
    """f and h as seen, each times the window's cover, (S, S)."""
    film, haze = np.zeros(hits.solid.shape, np.float32), np.zeros(hits.solid.shape, np.float32)
    for index, solid in enumerate(solids):
        if WINDOW in solid.marks:
            here = hits.solid == index
            uv = hits.uv[here]
            inside = np.ones(len(uv), bool)
            mark = solid.marks[WINDOW]
            if not isinstance(mark, bool):
                inside = _looked_up(mark, uv).astype(bool)
            film[here], haze[here] = _looked_up(pane.film, uv) * inside, _looked_up(pane.haze, uv) * inside
    return _shrunk(film), _shrunk(haze)


