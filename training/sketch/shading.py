"""How a slice answers the light: relief, highlight, mirrored surroundings, in reflectance units.

A flat matt surface of albedo a comes out as a; the picture's light field is multiplied in once, later.
So the veil's radiances scale with the scene's own light by construction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.scenes.light import kelvin_to_rgb
from wearvision_training.sketch.drawing import Slice
from wearvision_training.sketch.noise import generator, smooth

ENVIRONMENT = 48  # pixels along a side of the mirrored surroundings, indexed by the reflected ray's x and y

Image = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Light:
    """A scene's light, ready to shade with.

    Attributes:
        towards: Unit vector to the key light in picture axes (x right, y down, z to the camera).
        key: Share of a flat surface's light that comes from the key, per channel; the rest comes from all around.
        surroundings: Sharp and soft mirror image of the room, (E, E, 3), 1 is a white card under this light.
        field: Strength over the picture, (S, S, 3), colour included.
    """

    towards: NDArray[np.float64]
    key: Image
    surroundings: tuple[Image, Image]
    field: Image


def make_light(light: Mapping[str, Any], size: int, seed: int) -> Light:
    """The light of a recipe's scene for a picture of ``size`` pixels."""
    azimuth, elevation = np.deg2rad(light["azimuth_deg"]), np.deg2rad(light["elevation_deg"])
    towards = np.array([np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)])
    tint = np.array([1 - light["tint"] / 2, 1 + light["tint"], 1 - light["tint"] / 2], np.float32)
    ambient = float(light["ambient"])
    key = (1 - ambient) * kelvin_to_rgb(light["kelvin"]) * tint
    total = key + ambient * kelvin_to_rgb(light["ambient_kelvin"])
    return Light(
        towards, (key / total).astype(np.float32), _surroundings(light, towards, seed), _field(light, total, size)
    )


def _field(light: Mapping[str, Any], colour: Image, size: int) -> Image:
    """Falloff from the lamp, a slope across the bench and the lens's vignette; 1 at its brightest place."""
    across = np.linspace(-1, 1, size, dtype=np.float32)
    u, v = across[None, :], across[:, None]
    cx, cy = light["centre"]
    near = 1 / (1 + float(light["falloff"]) * ((u - cx) ** 2 + (v - cy) ** 2))
    a = np.deg2rad(light["azimuth_deg"])
    slope = 1 + float(light["slope"]) * 0.7 * (u * np.cos(a) + v * np.sin(a))
    strength = near * np.clip(slope, 0.2, None) * (1 - float(light["vignette"]) * 0.5 * (u * u + v * v))
    strength = np.clip(strength, 0.03, None) / strength.max()
    return np.asarray(strength[..., None] * colour, np.float32)


def _surroundings(light: Mapping[str, Any], towards: NDArray[np.float64], seed: int) -> tuple[Image, Image]:
    """A room to mirror: dim walls, a dark observer in the middle, the lamp and some bright windows."""
    rng = generator(seed, "surroundings")
    n = ENVIRONMENT
    room = 0.5 + 0.5 * smooth(rng, (n, n), (3, 3))
    colours = 1 + 0.15 * np.stack([smooth(rng, (n, n), (2, 2)) for _ in range(3)], -1)
    image = (float(light["surround"]) * np.clip(room, 0.08, 1))[..., None] * colours
    centre, radius = (n // 2 + int(rng.integers(-4, 5)), n // 2 + int(rng.integers(-4, 5))), int(rng.integers(4, 10))
    image = np.ascontiguousarray(image, np.float32)
    dark = [float(v) for v in rng.uniform(0.03, 0.25) * np.ones(3)]
    cv2.circle(image, centre, radius, dark, -1, cv2.LINE_AA)
    for _ in range(int(light["windows"])):
        x, y = (int(v) for v in rng.integers(0, n, 2))
        w, h = (int(v) for v in rng.integers(3, 14, 2))
        cv2.rectangle(image, (x, y), (x + w, y + h), [float(rng.uniform(0.9, 2.5))] * 3, -1)
    lamp = (int((towards[0] * 0.5 + 0.5) * n), int((towards[1] * 0.5 + 0.5) * n))
    cv2.circle(image, lamp, int(rng.integers(2, 5)), [6.0 * (1 - float(light["ambient"])) + 1.5] * 3, -1, cv2.LINE_AA)
    sharp, soft = cv2.GaussianBlur(image, (0, 0), 0.8), cv2.GaussianBlur(image, (0, 0), 5.0)
    return np.asarray(sharp, np.float32), np.asarray(soft, np.float32)


def shade(
    piece: Slice, part: tuple[slice, slice], light: Light, camera_rotation: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Reflectance of the slice inside ``part`` (raster rows and columns), (h, w, 3) float32, before the light field."""
    albedo: NDArray[np.float32] = piece.albedo[part]
    if piece.height is None and piece.gloss < 0.05 and piece.metal < 0.05:
        return albedo
    rows, columns = part
    step = 1 if piece.height is not None else max(1, (rows.stop - rows.start) // 32)
    normal = _normals(piece, part, step, camera_rotation)
    lambert = np.clip(normal @ light.towards.astype(np.float32), 0, None) / max(float(light.towards[2]), 0.25)
    open_sky = 0.55 + 0.45 * normal[..., 2]
    diffuse = np.clip(lambert, 0, 2.5)[..., None] * light.key + open_sky[..., None] * (1 - light.key)
    mirrored = _mirrored(normal, piece.gloss, light)
    coat = (0.02 + 0.10 * piece.gloss) * piece.gloss * (1 - piece.metal)
    rough_metal = piece.metal * (0.35 + 0.5 * piece.gloss)
    tinted = (1 - rough_metal) * diffuse + rough_metal * mirrored
    if step > 1:
        size = (columns.stop - columns.start, rows.stop - rows.start)
        tinted, mirrored = (
            np.asarray(cv2.resize(a, size, interpolation=cv2.INTER_LINEAR), np.float32) for a in (tinted, mirrored)
        )
    shaded: NDArray[np.float32] = albedo * tinted
    return np.asarray(shaded if coat == 0 else shaded + coat * mirrored)


def _normals(piece: Slice, part: tuple[slice, slice], step: int, turn: NDArray[np.float64]) -> Image:
    """Unit normals in picture axes, (h, w, 3)."""
    rows, columns = part
    raster = piece.alpha.shape[0]
    if piece.height is None:
        shape = (len(range(rows.start, rows.stop, step)), len(range(columns.start, columns.stop, step)))
        slope_x = slope_y = np.zeros(shape, np.float32)
    else:
        relief = np.ascontiguousarray(piece.height[part], np.float32)
        per_unit = raster / 2 / 8  # a 3x3 Sobel sums to 8 steps of one pixel
        slope_x = np.asarray(cv2.Sobel(relief, cv2.CV_32F, 1, 0, ksize=3, scale=per_unit), np.float32)
        slope_y = np.asarray(cv2.Sobel(relief, cv2.CV_32F, 0, 1, ksize=3, scale=per_unit), np.float32)
    inverse = 1 / np.sqrt(1 + slope_x**2 + slope_y**2)
    local = np.stack([-slope_x * inverse, -slope_y * inverse, inverse], -1)
    return np.asarray(local @ turn.T.astype(np.float32))


def _mirrored(normal: Image, gloss: float, light: Light) -> Image:
    """What the surface mirrors: the soft room for dull ones, the sharp one for polished ones."""
    n = ENVIRONMENT
    height, width = normal.shape[:2]
    # The lens is near, so the ray's direction drifts over the part and a flat mirror shows a piece of the room.
    drift_y = np.linspace(-0.18, 0.18, height, dtype=np.float32)[:, None]
    drift_x = np.linspace(-0.18, 0.18, width, dtype=np.float32)[None, :]
    map_x = (2 * normal[..., 2] * normal[..., 0] + drift_x) * (0.5 * n) + 0.5 * n
    map_y = (2 * normal[..., 2] * normal[..., 1] + drift_y) * (0.5 * n) + 0.5 * n
    sharp, soft = light.surroundings
    room = (gloss * sharp + (1 - gloss) * soft).astype(np.float32)
    seen = cv2.remap(
        room, map_x.astype(np.float32), map_y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(seen, np.float32)
