"""Surface textures of the things that are not parts: threads, brushed metal, coin relief, whole pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.sketch.drawing import Plane
from wearvision_training.sketch.noise import fractal, smooth

Image = NDArray[np.float32]


def surface(layer: Mapping[str, Any], size: int, rng: np.random.Generator) -> tuple[Image, Plane | None]:
    """Brightness (P, P) about 1, or whole colours (P, P, 3), or a single 1 for plain; and relief or None."""
    kind = layer["texture"]
    plain = np.ones(1, np.float32)
    if kind is None:
        return plain, None
    if "colours" in layer:
        return _picture(str(kind), [np.asarray(c, np.float32) for c in layer["colours"]], size, rng), None
    along = np.linspace(-1, 1, size, dtype=np.float32)
    if kind == "thread":
        return plain, np.broadcast_to(0.016 * _saw(along * rng.uniform(9, 22)), (size, size)).copy()
    if kind == "ribs":
        return plain, np.broadcast_to(0.02 * np.sin(along * rng.uniform(25, 60))[:, None], (size, size)).copy()
    if kind == "rings":
        radius = np.hypot(along[None, :], along[:, None])
        return plain, (0.012 * np.sin(radius * rng.uniform(30, 90))).astype(np.float32)
    if kind == "brushed":
        return 1 + 0.12 * smooth(rng, (size, size), (size / 2, 3)), None
    if kind == "noise":
        return 1 + 0.3 * fractal(rng, (size, size), 8, 4), 0.01 * fractal(rng, (size, size), 14, 2)
    if kind == "relief":
        return _coined(size, rng)
    raise ValueError(f"unknown texture {kind!r}")


def _saw(t: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(2 * np.abs(2 * (t % 1.0) - 1) - 1, np.float32)


def _coined(size: int, rng: np.random.Generator) -> tuple[Image, Plane]:
    """A stamped picture: a blob like a head or a crest, marks around it that read as invented letters."""
    canvas = np.zeros((size, size), np.float32)
    radii = 0.4 + 0.12 * np.interp(np.linspace(0, 9, 72), np.arange(10), np.r_[(v := rng.uniform(-1, 1, 9)), v[0]])
    angles = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    blob = np.column_stack([radii * np.cos(angles), radii * np.sin(angles)])
    cv2.fillPoly(canvas, [np.round((blob + 1) * size / 2).astype(np.int32)], 1.0, cv2.LINE_AA)
    inside = np.clip(canvas * (0.6 + 0.6 * fractal(rng, (size, size), 5, 3)), 0, 1.4)
    letters = np.zeros((size, size), np.float32)
    for a in np.linspace(0, 2 * np.pi, int(rng.integers(10, 30)), endpoint=False):
        for _ in range(3):
            ends = 0.68 * np.array([np.cos(a), np.sin(a)]) + rng.uniform(-0.06, 0.06, (2, 2))
            p, q = np.round((ends + 1) * size / 2).astype(int).tolist()
            cv2.line(letters, p, q, 1.0, max(1, size // 90), cv2.LINE_AA)
    relief = cv2.GaussianBlur(inside + letters, (0, 0), max(0.8, size / 200))
    return np.ones((size, size), np.float32) * (1 - 0.1 * canvas), 0.03 * relief


def _picture(kind: str, colours: list[Image], size: int, rng: np.random.Generator) -> Image:
    """A whole picture of its own, linear RGB, (P, P, 3)."""
    shape = (size, size)
    along = np.linspace(0, 1, size, dtype=np.float32)
    v, u = along[:, None], along[None, :]
    if kind == "gradient":
        t = np.clip(u * rng.uniform(-1, 1) + v * rng.uniform(-1, 1) + 0.5 + 0.1 * smooth(rng, shape, (2, 2)), 0, 1)
    elif kind == "stripes":
        phase = u * rng.uniform(-40, 40) + v * rng.uniform(-40, 40) + smooth(rng, shape, (2, 2))
        t = 0.5 + 0.5 * np.sign(np.sin(phase))
    elif kind == "checks":
        n = rng.uniform(3, 14)
        t = ((np.floor(u * n) + np.floor(v * n)) % 2) * np.ones(shape, np.float32)
    elif kind == "rings":
        t = 0.5 + 0.5 * np.sin(np.hypot(u - rng.uniform(0, 1), v - rng.uniform(0, 1)) * rng.uniform(15, 90))
    elif kind == "landscape":
        return _landscape(colours, size, rng)
    elif kind == "blobs":
        t = np.clip(6 * fractal(rng, shape, rng.uniform(2, 8), 1), 0, 1)
    elif kind == "tangle":
        t = np.clip(1 - 7 * np.abs(fractal(rng, shape, rng.uniform(3, 10), 3)), 0, 1)
    else:
        t = 0.5 + 0.6 * fractal(rng, shape, 40 if kind == "foliage" else 3, 4)
    second = np.clip(0.5 + 0.7 * fractal(rng, shape, 3, 3), 0, 1)[..., None]
    t = np.clip(t, 0, 1).astype(np.float32)[..., None]
    return np.asarray(colours[0] * (1 - t) + t * (colours[1] * (1 - second) + colours[2] * second), np.float32)


def _landscape(colours: list[Image], size: int, rng: np.random.Generator) -> Image:
    """Sky, some ranges of hills, ground: soft bands with a skyline each."""
    v = np.linspace(0, 1, size, dtype=np.float32)[:, None, None]
    sky = np.array([0.35, 0.5, 0.8], np.float32) * (0.5 + 0.5 * v) + 0.15 * colours[0]
    image = np.repeat(sky, size, 1) + 0.15 * np.clip(fractal(rng, (size, size), (6, 2), 4), 0, 1)[..., None]
    for k, colour in enumerate(colours):
        edge = 0.3 + 0.17 * k + 0.09 * fractal(rng, (2, size), (1, 4 * (k + 1)), 4)[0]
        below = np.clip((v[..., 0] - edge[None, :]) * size, 0, 1)[..., None]
        ground = colour * (0.6 + 0.4 * fractal(rng, (size, size), 12 * (k + 1), 3))[..., None]
        image = image * (1 - below) + below * np.clip(ground, 0, 1)
    return np.asarray(image, np.float32)
