"""Film and haze over the window of a flame-sensing cell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np

from wearvision_training.sketch.drawing import Veil
from wearvision_training.sketch.flame_cell_raster import Mask, Plane, brushed
from wearvision_training.sketch.flame_cell_window import Pane, window_pane
from wearvision_training.sketch.noise import fractal, generator, smooth

Parameters = Mapping[str, Any]
DENSEST = 0.97  # a deposit or veil never hides the window wholly, as the layer equation would lose it


def veil(design: Parameters, wear: Parameters, size: int) -> Veil:
    """Film and haze over the whole window, each with the mean that the wear asks for."""
    pane = window_pane(design, size)
    film, haze = wear["film"], wear["haze"]
    maps = []
    for layer, kinds, purpose in ((film, film["kinds"], "film"), (haze, [haze["kind"]], "haze")):
        field = np.ones(pane.shape, np.float32)
        if layer["mean"] > 0:
            for index, kind in enumerate(kinds):
                field *= _spread(kind, layer, pane, generator(wear["seed"], purpose, index))
        maps.append(pane.grid.whole(_with_mean(field, pane.disc >= 0.5, float(layer["mean"]))))
    return Veil(
        z=float(design["window"]["z"]),
        window=pane.grid.whole(pane.disc >= 0.5),
        film=maps[0],
        haze=maps[1],
        film_radiance=tuple(film["radiance"]),
        haze_radiance=tuple(haze["radiance"]),
    )


def _spread(kind: str, layer: Parameters, pane: Pane, rng: np.random.Generator) -> Plane:
    """How a layer is spread over the window, about 0 to 2, before it is brought to its mean."""
    shape, q, scale = pane.shape, np.minimum(pane.q, 1), float(layer["scale"])
    if kind == "even":
        return 1 + 0.2 * fractal(rng, shape, 3, 2)
    if kind == "patchy" or kind == "blotchy":
        return np.clip(0.6 + 1.3 * fractal(rng, shape, scale, 3), 0.03, 1.6)
    if kind == "streaked":
        wiped = brushed(rng, shape, layer["angle"], 3 * scale) + 0.4 * brushed(rng, shape, layer["angle"], 9 * scale)
        return np.clip(0.55 + 1.1 * wiped, 0.08, 1.5)
    if kind == "ring":
        at, wide = rng.uniform(0.55, 0.95), rng.uniform(0.06, 0.2)
        return np.exp(-(((q - at + 0.05 * smooth(rng, shape, (4, 4))) / wide) ** 2)) + np.float32(0.15)
    if kind == "edge":
        return np.float32(0.12) + q ** np.float32(rng.uniform(2, 5)) * (1 + 0.4 * fractal(rng, shape, 4, 2))
    if kind == "centre":
        return np.float32(0.12) + np.exp(-((q / np.float32(rng.uniform(0.4, 0.8))) ** 2))
    if kind == "side":
        cx, cy = pane.centre
        cos, sin = np.float32(np.cos(layer["angle"])), np.float32(np.sin(layer["angle"]))
        facing = ((pane.grid.x - cx) * cos + (pane.grid.y - cy) * sin) / np.float32(pane.radius)
        return np.clip(0.5 + 0.6 * facing + 0.3 * fractal(rng, shape, scale, 2), 0.03, 1.6).astype(np.float32)
    if kind == "drops":
        return _drops(pane, rng)
    return np.clip(1 + 0.9 * smooth(rng, shape, (80, 80)) + 0.3 * smooth(rng, shape, (30, 30)), 0.1, 2)


def _drops(pane: Pane, rng: np.random.Generator) -> Plane:
    """Dried drops: pale inside, dense at their edge."""
    spots = np.full(pane.shape, 0.18, np.float32)
    height, width = pane.shape
    for _ in range(int(rng.integers(5, 22))):
        at = (int(rng.integers(width)), int(rng.integers(height)))
        radius = max(2, int(rng.uniform(0.03, 0.16) * width))
        cv2.circle(spots, at, radius, float(rng.uniform(0.3, 0.8)), -1)
        cv2.circle(spots, at, radius, float(rng.uniform(0.8, 1.6)), max(1, radius // 5))
    return cv2.GaussianBlur(spots, (0, 0), 1.0 + 0.004 * width)


def _with_mean(field: Plane, window: Mask, mean: float) -> Plane:
    """The field scaled to a mean over the window, never above ``DENSEST``."""
    if mean <= 0:
        return np.zeros_like(field)
    # The clipped mean grows with the factor, so halving the bracket finds it; some thousand pixels will do.
    stride = max(1, field.shape[0] // 100)
    some = field[::stride, ::stride][window[::stride, ::stride]]
    low, high = 0.0, 1e3 / max(float(some.mean()), 1e-6)
    for _ in range(40):
        factor = 0.5 * (low + high)
        if float(np.minimum(some * np.float32(factor), DENSEST).mean()) < mean:
            low = factor
        else:
            high = factor
    return np.minimum(field * np.float32(high), np.float32(DENSEST)).astype(np.float32)
