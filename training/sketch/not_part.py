"""Draws the things that are not parts from their stacks of shapes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe
from wearvision_training.sketch import motifs
from wearvision_training.sketch.distance import depth_inside
from wearvision_training.sketch.drawing import Drawing, Plane, Slice
from wearvision_training.sketch.noise import fractal, generator

SUBPIXEL = 4  # bits of fraction in OpenCV's drawing calls


def draw(recipe: Recipe, size: int) -> Drawing:
    """The thing of a recipe of part ``"none"`` on rasters of ``size`` pixels; no measures, no masks."""
    return draw_design(recipe.design, size, recipe.seed)


def draw_design(design: Mapping[str, Any], size: int, seed: int) -> Drawing:
    """A thing's slices from its layers; ``seed`` seeds its textures."""
    slices: list[Slice] = []
    for number, layer in enumerate(design["layers"]):
        slices += _slices(layer, size, generator(seed, "layer", number), float(design["rough"]))
    slices.sort(key=lambda piece: piece.z)
    return Drawing(tuple(slices), {}, mm_per_unit=float(design["mm_per_unit"]))


def outline(shape: Mapping[str, Any]) -> NDArray[np.float64]:
    """A closed shape's corners in plane units, (N, 2) x, y."""
    (kind, values), *_ = shape.items()
    if kind == "polygon":
        return np.asarray(values, float)
    x, y, r, *rest = (float(v) for v in values)
    if kind == "circle":
        return _round(x, y, np.full(72, r), 0.0)
    if kind == "ngon":
        return _round(x, y, np.full(int(rest[0]), r), rest[1])
    if kind == "gear":
        teeth, depth, turn = int(rest[0]), rest[1], rest[2]
        wave = np.clip(1.8 * np.cos(np.linspace(0, 2 * np.pi * teeth, 12 * teeth, endpoint=False)), -1, 1)
        return _round(x, y, r * (1 - depth / 2 + depth / 2 * wave), turn)
    if kind == "box":
        return _box(x, y, r, *rest)
    raise ValueError(f"unknown shape {kind!r}")


def _round(x: float, y: float, radii: NDArray[np.float64], turn: float) -> NDArray[np.float64]:
    angles = turn + np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    return np.column_stack([x + radii * np.cos(angles), y + radii * np.sin(angles)])


def _box(x: float, y: float, width: float, height: float, turn: float, corner: float) -> NDArray[np.float64]:
    corner = min(corner, width / 2, height / 2)
    quarter = np.linspace(0, np.pi / 2, 6)
    points = []
    for start, sx, sy in ((0.0, 1, 1), (np.pi / 2, -1, 1), (np.pi, -1, -1), (1.5 * np.pi, 1, -1)):
        a = start + quarter
        cx, cy = sx * (width / 2 - corner), sy * (height / 2 - corner)
        points.append(np.column_stack([cx + corner * np.cos(a), cy + corner * np.sin(a)]))
    local = np.vstack(points)
    c, s = np.cos(turn), np.sin(turn)
    return np.column_stack([x + c * local[:, 0] - s * local[:, 1], y + s * local[:, 0] + c * local[:, 1]])


def _fixed(points: NDArray[Any], size: int) -> NDArray[np.int32]:
    """Plane units to OpenCV's fixed-point raster coordinates."""
    pixels = (np.asarray(points, float) + 1) * size / 2 - 0.5
    return np.asarray(np.round(pixels * 2**SUBPIXEL).astype(np.int32))


def cover_of(layer: Mapping[str, Any], size: int) -> NDArray[np.uint8]:
    """Antialiased cover of a layer's outline without its holes, (size, size) uint8, 255 inside."""
    canvas = np.zeros((size, size), np.uint8)
    shape = layer["shape"]
    if "stroke" in shape:
        points, width = np.asarray(shape["stroke"], float), max(1, round(float(shape["width"]) * size / 2))
        cv2.polylines(canvas, [_fixed(points, size)], False, 255, width, cv2.LINE_AA, SUBPIXEL)
        if shape["flat"]:
            half = width / size
            for end, towards in ((points[0], points[1]), (points[-1], points[-2])):  # the round caps go
                out = (end - towards) / max(float(np.hypot(*(end - towards))), 1e-6)
                side = np.array([-out[1], out[0]]) * half * 1.3
                far = out * half * 2
                cap = np.array([end + side, end + side + far, end - side + far, end - side])
                cv2.fillPoly(canvas, [_fixed(cap, size)], 0, cv2.LINE_AA, SUBPIXEL)
    else:
        cv2.fillPoly(canvas, [_fixed(outline(shape), size)], 255, cv2.LINE_AA, SUBPIXEL)
    for hole in layer["holes"]:
        cv2.fillPoly(canvas, [_fixed(outline(hole), size)], 0, cv2.LINE_AA, SUBPIXEL)
    return canvas


def _slices(layer: Mapping[str, Any], size: int, rng: np.random.Generator, rough: float) -> list[Slice]:
    """A layer's slices: its edge below, in the same colour but duller, then its top with relief and texture."""
    cover = cover_of(layer, size)
    alpha = (cover * np.float32(1 / 255)) * np.float32(layer.get("alpha", 1.0))
    colour = np.asarray(layer["colour"], np.float32)
    surface, relief = motifs.surface(layer, size, rng)
    albedo = surface if surface.ndim == 3 else surface[..., None] * np.broadcast_to(colour, (size, size, 3))
    if rough > 0.05:
        worn = fractal(rng, (size, size), 6, 3)
        albedo = albedo * (1 - 0.45 * rough * np.clip(worn, 0, 1))[..., None]
    height = _bevel(_longer(layer, cover, size), float(layer["bevel"]), size)
    if relief is not None:
        height = relief if height is None else height + relief
    gloss, metal = float(layer["gloss"]), float(layer["metal"])
    top = Slice(float(layer["z"]), alpha, np.ascontiguousarray(albedo, np.float32), height, gloss, metal)
    edge: list[Slice] = []
    if layer["thick"] > 0.04:
        dull = np.broadcast_to(colour * np.float32(0.55), (size, size, 3))
        steps = min(4, max(1, round(float(layer["thick"]) / 0.08)))
        for k in range(steps, 0, -1):
            z = float(layer["z"]) - float(layer["thick"]) * k / steps
            edge.append(Slice(z, alpha, dull, None, gloss * 0.3, metal * 0.5))
    return [*edge, top]


def _longer(layer: Mapping[str, Any], cover: NDArray[np.uint8], size: int) -> NDArray[np.uint8]:
    """The cover of a bar as if it went on past its ends, so that only its sides are rounded; others unchanged."""
    shape = layer["shape"]
    if shape.get("flat"):
        points = np.asarray(shape["stroke"], float)
        points = np.vstack([2 * points[0] - points[1], points, 2 * points[-1] - points[-2]])
        return cover_of({**layer, "shape": {**shape, "stroke": points.tolist(), "flat": False}}, size)
    if "box" in shape and layer["bevel"] >= 0.4 * shape["box"][3]:
        x, y, width, height, turn, _ = shape["box"]
        return cover_of({**layer, "shape": {"box": [x, y, width + 4 * height, height, turn, 0.0]}}, size)
    return cover


def _bevel(cover: NDArray[np.uint8], radius: float, size: int) -> Plane | None:
    """Relief of a rounded edge: a quarter circle of ``radius`` plane units inwards from the outline."""
    if radius < 0.008:
        return None
    depth = depth_inside(cover > 127)
    inward = np.clip(depth * np.float32(2 / size / radius), 0, 1)
    profile = np.float32(radius) * np.sqrt(1 - (1 - inward) ** 2)
    return cv2.GaussianBlur(profile, (0, 0), 0.9)
