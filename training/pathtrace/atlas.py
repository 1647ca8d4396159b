"""One sheet of textures for all bodies of a scene.

The tracer compiles its kernel for the kinds and sizes of textures that a scene holds. With every body in one mesh under
one surface whose textures have one size, a kernel compiled once serves every picture of that size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.solid import Finish, Mesh, Solid

Image = NDArray[np.float32]
Box = tuple[int, int, int, int]
GUTTER = 2
"""Texels repeated about each tile, so that filtering never mixes in a neighbour's."""
PLAIN = 4
"""Side of the tile of a body without texture."""
ROUGHEST_MIRROR = 0.08
"""Smaller roughnesses make highlights that few samples find."""


@dataclass(frozen=True, slots=True)
class Atlas:
    """Textures of side A: ``albedo`` (A, A, 3) linear RGB, the others (A, A)."""

    albedo: Image
    roughness: Image
    metal: Image
    coat: Image
    relief: Image


@dataclass(frozen=True, slots=True)
class Place:
    """Where a body's texture lies on the sheet: ``own uv = low + (sheet uv - corner) * step``, (2,) each."""

    low: NDArray[np.float64]
    corner: NDArray[np.float64]
    step: NDArray[np.float64]

    def laid(self, uv: Image) -> Image:
        """A body's own uv (N, 2) on the sheet."""
        inside = np.clip((np.clip(uv, 0, 1) - self.low) / self.step, 0, None)
        return np.asarray(inside + self.corner, np.float32)

    def own(self, uv: Image) -> Image:
        """Points of the sheet (N, 2) in the body's own uv."""
        return np.asarray(self.low + (uv - self.corner) * self.step, np.float32)


@dataclass(frozen=True, slots=True)
class _Tile:
    """A finish cropped to what its body uses: five textures of one shape, and the uv box that they cover."""

    layers: tuple[Image, ...]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def lay_out(solids: Sequence[Solid], side: int) -> tuple[Atlas, list[Place]]:
    """Puts all finishes on one sheet.

    Args:
        solids: The bodies; uv outside 0 to 1 is clamped.
        side: Of the sheet in texels; finishes that do not fit are made coarser, all by the same factor.

    Returns:
        The sheet, and each body's place on it.

    Raises:
        ValueError: so many bodies that not even their smallest tiles fit.
    """
    tiles = [_tile(solid.finish, solid.mesh) for solid in solids]
    shapes = [(tile.layers[0].shape[0], tile.layers[0].shape[1]) for tile in tiles]
    scale, places = 1.0, _packed(shapes, side)
    while places is None:
        if scale * max(max(shape) for shape in shapes) < PLAIN:
            raise ValueError(f"{len(solids)} bodies do not fit on a sheet of {side} texels; give a larger side")
        scale *= 0.85
        places = _packed([(max(PLAIN, round(h * scale)), max(PLAIN, round(w * scale))) for h, w in shapes], side)
    sheets = [np.zeros((side, side, 3), np.float32), *(np.zeros((side, side), np.float32) for _ in range(4))]
    laid = []
    for tile, (row, column, height, width) in zip(tiles, places, strict=True):
        for sheet, layer in zip(sheets, tile.layers, strict=True):
            fitted = layer
            if layer.shape[:2] != (height, width):
                fitted = np.asarray(cv2.resize(layer, (width, height), interpolation=cv2.INTER_AREA), np.float32)
            padded = cv2.copyMakeBorder(fitted, GUTTER, GUTTER, GUTTER, GUTTER, cv2.BORDER_REPLICATE)
            sheet[row - GUTTER : row + height + GUTTER, column - GUTTER : column + width + GUTTER] = padded
        texels = np.array([width, height])
        laid.append(Place(tile.low, np.array([column, row]) / side, (tile.high - tile.low) * side / texels))
    return Atlas(*sheets), laid


def _tile(finish: Finish, mesh: Mesh) -> _Tile:
    relief = np.float32(0) if finish.relief is None else finish.relief
    values = [
        np.asarray(v, np.float32)
        for v in (finish.albedo, np.maximum(finish.roughness, ROUGHEST_MIRROR), finish.metal, finish.coat, relief)
    ]
    textured = [values[0].ndim == 3, *(value.ndim == 2 for value in values[1:])]
    shapes = [value.shape[:2] for value, has in zip(values, textured, strict=True) if has]
    if not shapes:
        plain = [np.broadcast_to(value, (PLAIN, PLAIN, *value.shape)) for value in values]
        return _Tile(tuple(np.ascontiguousarray(p) for p in plain), np.full(2, -1.0), np.full(2, 2.0))
    rows, columns = max(s[0] for s in shapes), max(s[1] for s in shapes)
    size = np.array([columns, rows])
    uv = np.clip(mesh.uv, 0, 1)
    first = np.clip(np.floor(uv.min(0) * size).astype(int) - 1, 0, size - 1)
    last = np.clip(np.ceil(uv.max(0) * size).astype(int) + 1, first + 1, size)
    layers = []
    for value, has in zip(values, textured, strict=True):
        whole = value
        if has and value.shape[:2] != (rows, columns):
            whole = np.asarray(cv2.resize(value, (columns, rows), interpolation=cv2.INTER_LINEAR), np.float32)
        if has:
            piece = whole[first[1] : last[1], first[0] : last[0]]
        else:
            piece = np.broadcast_to(whole, (last[1] - first[1], last[0] - first[0], *whole.shape))
        layers.append(np.ascontiguousarray(piece))
    return _Tile(tuple(layers), first / size, last / size)


def _packed(shapes: Sequence[tuple[int, int]], side: int) -> list[Box] | None:
    """Places of tiles in rows, the tallest first; None if they do not fit. A place leaves room for its gutter."""
    places: list[Box] = [(0, 0, 0, 0)] * len(shapes)
    top = left = shelf = 0
    for index in sorted(range(len(shapes)), key=lambda k: -shapes[k][0]):
        height, width = shapes[index]
        if left + width + 2 * GUTTER > side:
            top, left, shelf = top + shelf, 0, 0
        if left + width + 2 * GUTTER > side or top + height + 2 * GUTTER > side:
            return None
        places[index] = (top + GUTTER, left + GUTTER, height, width)
        left, shelf = left + width + 2 * GUTTER, max(shelf, height + 2 * GUTTER)
    return places
