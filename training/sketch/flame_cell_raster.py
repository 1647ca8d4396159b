"""Cached grids and small raster tools for drawing flame-sensing cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.sketch.noise import smooth
from wearvision_training.wear.flame_cell import SAMPLES

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]
FINE = 2  # lines are drawn this many times finer and averaged, on top of OpenCV's own antialiasing
SHIFT = 4  # OpenCV takes coordinates as fixed point with this many binary digits


@dataclass(frozen=True, slots=True)
class Grid:
    """Coordinates of a raster's pixel centres.

    Attributes:
        size: Pixels along a side of the whole plane.
        box: Rows and columns of the whole plane that this grid covers.
        x, y: Plane coordinates, (H, W) float32.
        r: Distance from the plane's middle.
        theta: Index of the pixel's direction in tables of ``SAMPLES`` directions.
    """

    size: int
    box: tuple[slice, slice]
    x: Plane
    y: Plane
    r: Plane
    theta: NDArray[np.intp]

    @property
    def per_unit(self) -> float:
        """Pixels in one plane unit."""
        return self.size / 2

    def around(self, centre: Sequence[float], radius: float) -> Grid:
        """The part of this grid that holds a disc, cut off at the plane's edge."""
        low = [int(np.floor((c - radius + 1) * self.per_unit)) - 2 for c in centre]
        high = [int(np.ceil((c + radius + 1) * self.per_unit)) + 2 for c in centre]
        columns, rows = (slice(max(a, 0), min(b, self.size)) for a, b in zip(low, high, strict=True))
        box = (rows, columns)
        return Grid(self.size, box, self.x[box], self.y[box], self.r[box], self.theta[box])

    def whole(self, piece: Any) -> Any:
        """A raster over this grid's box, set into one of the whole plane that is empty elsewhere."""
        out = np.zeros((self.size, self.size, *piece.shape[2:]), piece.dtype)
        out[self.box] = piece
        return out

    def edge(self, distance: Plane) -> Plane:
        """Cover, 0 to 1, of the side where a signed distance in plane units is positive; one pixel soft."""
        return np.asarray(np.clip(distance * np.float32(self.per_unit) + np.float32(0.5), 0, 1), np.float32)

    def lines(self, lines: Sequence[Any], width: float, *, closed: bool = False) -> Plane:
        """Cover of polylines (x, y in plane units) of a width, over this grid's box."""
        rows, columns = self.box
        canvas = np.zeros((FINE * (rows.stop - rows.start), FINE * (columns.stop - columns.start)), np.uint8)
        corner = np.array([columns.start, rows.start], float)
        fixed = []
        for line in lines:
            pixels = ((np.asarray(line, float) + 1) * self.per_unit - corner) * FINE - 0.5
            fixed.append(np.round(pixels * 2**SHIFT).astype(np.int32).reshape(-1, 1, 2))
        thickness = max(1, round(width * self.per_unit * FINE))
        cv2.polylines(canvas, fixed, closed, 255, thickness, cv2.LINE_AA, SHIFT)
        small = cv2.resize(canvas, (columns.stop - columns.start, rows.stop - rows.start), interpolation=cv2.INTER_AREA)
        return small.astype(np.float32) / np.float32(255)


@lru_cache(maxsize=6)
def grid(size: int) -> Grid:
    """The whole plane at a raster size; shared, so never write into it."""
    across = (np.arange(size, dtype=np.float32) + np.float32(0.5)) * np.float32(2 / size) - 1
    x, y = np.meshgrid(across, across)
    theta = np.round(np.arctan2(y, x) * (SAMPLES / (2 * np.pi))).astype(np.intp) % SAMPLES
    return Grid(size, (slice(0, size), slice(0, size)), x, y, np.hypot(x, y), theta)


def mix(below: Plane, colour: Any, cover: Plane) -> None:
    """Lays a colour, or a picture, over ``below`` in place by its cover."""
    colour = np.asarray(colour, np.float32)
    for channel in range(3):  # a channel at a time: broadcasting over a last axis of 3 takes four times as long
        plane = below[..., channel]
        plane += (colour[..., channel] - plane) * cover


def dim(picture: Plane, factor: Plane) -> None:
    """Multiplies a picture by a plane, in place."""
    for channel in range(3):
        picture[..., channel] *= factor


def plain(shape: tuple[int, int], colour: Sequence[float]) -> Plane:
    """A picture of one colour."""
    picture = np.empty((*shape, 3), np.float32)
    picture[:] = np.asarray(colour, np.float32)
    return picture


def brushed(rng: np.random.Generator, shape: tuple[int, int], angle: float, across: float) -> Plane:
    """Noise drawn out along a direction, about -1 to 1, with ``across`` bumps over it."""
    height, width = shape
    side = int(1.45 * max(height, width))
    noise = smooth(rng, (side, side), (across, 2))
    middle = (side / 2, side / 2)
    turn = cv2.getRotationMatrix2D(middle, float(np.degrees(angle)), 1.0)
    turn[:, 2] += np.array([width / 2 - middle[0], height / 2 - middle[1]])
    turned = cv2.warpAffine(noise, turn, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(turned, np.float32)
