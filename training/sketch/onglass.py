"""Harmless things on a window: mirrored lamps, glints, water drops. They change the picture, never the truth."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe

Image = NDArray[np.float32]


def add(image: Image, window: NDArray[np.float32] | None, recipe: Recipe) -> Image:
    """The picture (reflectance units, (S, S, 3)) with what ``scene["glass"]`` lists; a new array where it changes."""
    glass = recipe.scene.get("glass") or {}
    if window is None or not (glass.get("glints") or glass.get("drops")):
        return image
    rows, columns = np.flatnonzero(window.max(1) > 0.5), np.flatnonzero(window.max(0) > 0.5)
    if len(rows) < 8 or len(columns) < 8:
        return image
    box = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    out = image.copy()
    inside = window[box]
    for drop in glass.get("drops", ()):
        out[box] = _drop(out[box], inside, drop)
    for glint in glass.get("glints", ()):
        out[box] += _glint(inside.shape, glint)[..., None] * inside[..., None]
    return out


def _glint(shape: tuple[int, int], glint: dict[str, Any]) -> Image:
    """A lamp, tube or window frame mirrored in the glass; (h, w), its strength at its heart."""
    height, width = shape
    canvas = np.zeros((height, width), np.float32)
    radius = max(height, width) / 2
    x, y = (float(glint["at"][0]) + 1) * width / 2, (float(glint["at"][1]) + 1) * height / 2
    size = max(1.0, float(glint["size"]) * radius)
    if glint["shape"] == "spot":
        cv2.circle(canvas, (round(x * 16), round(y * 16)), round(size * 16), 1.0, -1, cv2.LINE_AA, 4)
    else:
        aspect = 0.16 if glint["shape"] == "tube" else 0.75
        corners = cv2.boxPoints(((x, y), (2.2 * size, 2.2 * size * aspect), float(glint["turn_deg"])))
        cv2.fillConvexPoly(canvas, np.round(corners * 16).astype(np.int32), 1.0, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(canvas, (0, 0), max(0.5, float(glint["blur"]) * size))
    return soft * np.float32(glint["strength"])


def _drop(under: Image, inside: NDArray[np.float32], drop: list[float]) -> Image:
    """A water drop: what lies under it turned upside down and smaller, a dark edge, a small highlight."""
    height, width = inside.shape
    x, y = (drop[0] + 1) * width / 2, (drop[1] + 1) * height / 2
    radius = max(2.0, drop[2] * max(height, width) / 2)
    v, u = np.mgrid[0:height, 0:width].astype(np.float32)
    du, dv = u - np.float32(x), v - np.float32(y)
    far = np.sqrt(du * du + dv * dv) / np.float32(radius)
    alpha = np.clip((1 - far) * radius, 0, 1) * inside
    bend = 1 - 0.9 * np.clip(1 - far, 0, 1)
    seen = cv2.remap(
        under, (x + du * bend).astype(np.float32), (y + dv * bend).astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT_101,
    )  # fmt: skip
    seen = seen * (1 - 0.35 * np.clip(far, 0, 1) ** 6)[..., None]
    light = np.exp(-(((du + 0.35 * radius) ** 2 + (dv + 0.35 * radius) ** 2) / (0.12 * radius) ** 2))
    return np.asarray(under + alpha[..., None] * (seen + light[..., None] - under))
