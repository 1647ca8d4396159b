"""Paints the bench: a sheet of texture, seen under the camera's tilt, as linear reflectance."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.sketch.noise import Plane, fractal, generator, smooth
from wearvision_training.sketch.warp import homography, raster_to_plane

SHEET = 1.25  # half sides of the picture that the sheet reaches before it is mirrored

Texture = tuple[Plane, Plane]
"""Mix of the two colours (0 to 1) and a relief shade about 0 (multiplied in as 1 + shade)."""


def _cells(rng: np.random.Generator, n: int, count: float) -> tuple[NDArray[np.int32], Plane]:
    """Cells about random seeds: each pixel's cell number and its distance in pixels to the seed."""
    seeds = np.ones((n, n), np.uint8)
    points = rng.integers(0, n, (max(3, int(count)), 2))
    seeds[points[:, 0], points[:, 1]] = 0
    far, label = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    return np.asarray(label, np.int32), far.astype(np.float32)


def _wood(rng: np.random.Generator, n: int, grain: float) -> Texture:
    rings = fractal(rng, (n, n), (9 * grain, 1.5), 3) * 3 + smooth(rng, (n, n), (2, 2)) * 2
    mix = 0.5 + 0.5 * np.sin(rings * 3)
    fibre = smooth(rng, (n, n), (n / 2, n / 24))
    planks = (np.linspace(0, 3 / grain, n) % 1.0 < 0.012)[:, None] & np.ones((1, n), bool)
    return mix.astype(np.float32), 0.10 * fibre - 0.6 * planks.astype(np.float32)


def _steel(rng: np.random.Generator, n: int, grain: float) -> Texture:
    brushed = smooth(rng, (n, n), (n, 3 / grain)) + 0.5 * smooth(rng, (n, n), (n / 3, 2))
    return 0.5 + 0.5 * fractal(rng, (n, n), 2, 3), 0.12 * brushed


def _rag(rng: np.random.Generator, n: int, grain: float) -> Texture:
    u = np.arange(n, dtype=np.float32) * (0.5 / grain) * 400 / n
    folds = fractal(rng, (n, n), 2.5, 3)
    weave = np.sin(u[:, None] + 3 * folds) * np.sin(u[None, :] + 3 * folds)
    dy = cv2.Sobel(folds, cv2.CV_32F, 0, 1) * n / 90
    return 0.5 + 0.5 * smooth(rng, (n, n), (4, 4)), (0.12 * weave + np.clip(dy, -0.5, 0.5)).astype(np.float32)


def _cardboard(rng: np.random.Generator, n: int, grain: float) -> Texture:
    ribs = np.sin(np.arange(n, dtype=np.float32) * (0.35 / grain) * 400 / n)[:, None] * np.ones((1, n), np.float32)
    return 0.5 + 0.5 * fractal(rng, (n, n), 6, 4), 0.05 * ribs + 0.07 * smooth(rng, (n, n), (n / 2, n / 2))


def _concrete(rng: np.random.Generator, n: int, grain: float) -> Texture:
    fine = fractal(rng, (n, n), n / 6 / grain, 2)
    pits = (fractal(rng, (n, n), 40 / grain, 2) > 0.75).astype(np.float32)
    return 0.5 + 0.5 * fractal(rng, (n, n), 3, 5), 0.18 * fine - 0.35 * pits


def _paint(rng: np.random.Generator, n: int, grain: float) -> Texture:
    peel = fractal(rng, (n, n), 40 / grain, 2)
    chips = (fractal(rng, (n, n), 8 / grain, 4) > rng.uniform(0.5, 1.1)).astype(np.float32)
    return chips, 0.06 * peel


def _paper(rng: np.random.Generator, n: int, grain: float) -> Texture:
    crease = -np.abs(fractal(rng, (n, n), 2 * grain, 2))
    return 0.4 + 0.3 * smooth(rng, (n, n), (3, 3)), 0.03 * smooth(rng, (n, n), (n / 2, n / 2)) + 0.08 * crease


def _print(rng: np.random.Generator, n: int, grain: float) -> Texture:
    """Rows of ink that read as lines of text or a drawing from a catalogue, without letters."""
    line = max(5, int(n / 28 * grain))
    ink = np.zeros((n, n), np.float32)
    for top in range(2, n - line, line):
        words = np.repeat(rng.random(n // max(2, line // 2) + 1) < 0.8, max(2, line // 2))[:n]
        strokes = np.repeat(rng.random(n // 2 + 1) < 0.6, 2)[:n]
        ink[top : top + int(line * 0.5)] = (words & strokes)[None, :] & (rng.random((int(line * 0.5), n)) < 0.8)
    return cv2.GaussianBlur(ink, (0, 0), 0.7), -0.75 * cv2.GaussianBlur(ink, (0, 0), 0.6)


def _skin(rng: np.random.Generator, n: int, grain: float) -> Texture:
    """A palm or glove: fingers as soft cylinders, wrinkles across them."""
    fingers = np.linspace(0, rng.uniform(1.5, 4), n, dtype=np.float32)[None, :] + 0.15 * smooth(rng, (n, n), (3, 2))
    round_ = np.abs(np.sin(np.pi * fingers)) ** 0.5
    wrinkle = -np.abs(fractal(rng, (n, n), (14 / grain, 4), 3)) ** 0.5
    depth = rng.uniform(0.2, 0.8)
    return 0.5 + 0.5 * fractal(rng, (n, n), 4, 4), (depth * (round_ - 0.9) + 0.15 * wrinkle).astype(np.float32)


def _tray(rng: np.random.Generator, n: int, grain: float) -> Texture:
    u = (np.arange(n, dtype=np.float32) / n * rng.uniform(4, 12) / grain) % 1.0
    groove = np.exp(-(((u - 0.5) / 0.06) ** 2)).astype(np.float32)
    both = groove[:, None] + (groove[None, :] if rng.random() < 0.5 else 0.0)
    return 0.3 + 0.2 * smooth(rng, (n, n), (3, 3)), -0.35 * np.clip(both, 0, 1) + 0.03 * smooth(rng, (n, n), (n, n))


def _rubber(rng: np.random.Generator, n: int, grain: float) -> Texture:
    u = np.arange(n, dtype=np.float32) / n * 2 * np.pi * rng.uniform(5, 18) / grain
    dots = np.clip(np.sin(u)[:, None] * np.sin(u)[None, :] * 2, -1, 1)
    return 0.5 + 0.3 * fractal(rng, (n, n), 5, 4), 0.3 * dots + 0.1 * smooth(rng, (n, n), (n / 2, n / 2))


def _tile(rng: np.random.Generator, n: int, grain: float) -> Texture:
    u = (np.arange(n, dtype=np.float32) / n * 2.5 / grain + rng.random()) % 1.0
    joint = (u < 0.04).astype(np.float32)
    lines = cv2.GaussianBlur(np.maximum(joint[:, None], joint[None, :]), (0, 0), 1.0)
    return 0.5 + 0.5 * fractal(rng, (n, n), 4, 4), -0.4 * lines


def _plate(rng: np.random.Generator, n: int, grain: float) -> Texture:
    v, u = np.mgrid[0:n, 0:n].astype(np.float32) / n * 10 / grain
    even = ((np.floor(u) + np.floor(v)) % 2).astype(np.float32)
    a, b = u % 1 - 0.5, v % 1 - 0.5
    along, across = np.where(even > 0, a + b, a - b), np.where(even > 0, a - b, a + b)
    lens = np.clip(1 - (along / 0.55) ** 2 - (across / 0.2) ** 2, 0, 1)
    return 0.5 + 0.5 * fractal(rng, (n, n), 3, 4), 0.5 * np.sign(across) * lens + 0.08 * smooth(rng, (n, n), (n, n / 9))


def _foil(rng: np.random.Generator, n: int, grain: float) -> Texture:
    label, _ = _cells(rng, n, 60 / grain)
    facets = rng.uniform(-0.6, 0.6, label.max() + 1).astype(np.float32)[label] + 0.25 * fractal(rng, (n, n), 8, 2)
    return 0.5 + 0.5 * smooth(rng, (n, n), (4, 4)), cv2.GaussianBlur(facets, (0, 0), 1.2)


def _gravel(rng: np.random.Generator, n: int, grain: float) -> Texture:
    label, far = _cells(rng, n, 500 / grain)
    size = n / np.sqrt(500 / grain)
    stone = rng.uniform(0, 1, label.max() + 1).astype(np.float32)[label]
    light = rng.uniform(-0.35, 0.35, label.max() + 1).astype(np.float32)[label]
    return stone, light + 0.25 - 0.9 * np.clip(far / size, 0, 1) ** 2 + 0.12 * smooth(rng, (n, n), (n / 2, n / 2))


def _burner(rng: np.random.Generator, n: int, grain: float) -> Texture:
    """Inside of an appliance: big soft shapes, seams, a dark hole."""
    shapes = fractal(rng, (n, n), 2, 2)
    mix = 1 / (1 + np.exp(-18 * (shapes - 0.1)))
    shade = 0.5 * smooth(rng, (n, n), (2, 2)) + 0.08 * fractal(rng, (n, n), 30, 2)
    canvas = np.zeros((n, n), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        x, y = (int(v) for v in rng.integers(0, n, 2))
        cv2.circle(canvas, (x, y), int(rng.uniform(0.04, 0.2) * n), 1.0, -1, cv2.LINE_AA)
    return mix.astype(np.float32), shade - 0.7 * cv2.GaussianBlur(canvas, (0, 0), 2.0)


def _plain(rng: np.random.Generator, n: int, grain: float) -> Texture:
    return 0.5 + 0.5 * smooth(rng, (n, n), (2, 2)), 0.02 * smooth(rng, (n, n), (n / 2, n / 2))


TEXTURES: dict[str, Callable[[np.random.Generator, int, float], Texture]] = {
    "wood": _wood,
    "steel": _steel,
    "rag": _rag,
    "cardboard": _cardboard,
    "concrete": _concrete,
    "paint": _paint,
    "paper": _paper,
    "print": _print,
    "glove": _skin,
    "skin": _skin,
    "tray": _tray,
    "rubber": _rubber,
    "tile": _tile,
    "plate": _plate,
    "foil": _foil,
    "gravel": _gravel,
    "burner": _burner,
    "plain": _plain,
}


def paint_bench(bench: Mapping[str, Any], camera: Mapping[str, Any], size: int, seed: int) -> NDArray[np.float32]:
    """The bench as seen without any part: linear reflectance, (size, size, 3) float32."""
    rng = generator(seed, "bench")
    n = round(SHEET * size)
    mix, shade = TEXTURES[bench["kind"]](rng, n, float(bench["grain"]))
    first, second = (np.asarray(bench[k], np.float32) for k in ("colour", "second"))
    contrast = float(bench["contrast"])
    sheet = first + (contrast * np.clip(mix, 0, 1))[..., None] * (second - first)
    factor = 1 + (0.4 + 0.6 * contrast) * shade
    _dirty(factor, bench, rng)
    sheet *= np.clip(factor, 0.05, 2.0)[..., None]
    flat = {**camera, "turn_deg": bench["turn_deg"], "scale": 1.0, "shift": [0.0, 0.0]}
    flat["distance"] = float(camera["distance"]) * float(camera["scale"])
    matrix = homography(flat, size) @ np.diag([SHEET, SHEET, 1.0]) @ raster_to_plane(n)
    seen = cv2.warpPerspective(
        sheet.astype(np.float32), matrix, (size, size), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
    )
    return np.asarray(seen, np.float32)


def _dirty(factor: Plane, bench: Mapping[str, Any], rng: np.random.Generator) -> None:
    """Stains, scratches, specks and a table's edge, multiplied into the sheet's shade in place."""
    n = factor.shape[0]
    if bench["stains"] > 0.05:
        factor *= 1 - 0.7 * float(bench["stains"]) * np.clip(fractal(rng, (n, n), 3, 4) - 0.1, 0, 1)
    if bench["scratches"]:
        lines = np.zeros((n, n), np.float32)
        for _ in range(int(bench["scratches"])):
            start, way = rng.uniform(0, n, 2), rng.normal(0, 0.18 * n, 2)
            bend = np.array([[0.0], [0.5], [1.0]]) * way + np.array([[0.0], [1.0], [0.0]]) * rng.normal(0, 0.03 * n, 2)
            points = np.round(start + bend).astype(np.int32)
            cv2.polylines(lines, [points], False, float(rng.uniform(-0.4, 0.5)), 1, cv2.LINE_AA)
        factor *= 1 + lines
    if bench["specks"]:
        specks = rng.integers(0, n, (int(bench["specks"]), 2))
        factor[specks[:, 0], specks[:, 1]] *= rng.uniform(0.3, 1.9, len(specks)).astype(np.float32)
    if bench["edge"] is not None:
        cut = int((0.5 + 0.5 * float(bench["edge"])) * n)
        factor[:cut] *= float(rng.uniform(0.1, 0.5))
