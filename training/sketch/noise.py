"""Seeded smooth noise, cheap enough to use everywhere."""

from __future__ import annotations

import zlib

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]


def generator(seed: int, *purpose: str | int) -> np.random.Generator:
    """A generator of its own for each purpose, so that one texture's draws never shift another's."""
    words = [zlib.crc32(str(p).encode()) for p in purpose]
    return np.random.default_rng([int(seed) & 0xFFFFFFFFFFFF, *words])


def smooth(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[float, float]) -> Plane:
    """Noise about -1 to 1 with ``cells`` bumps along rows and columns; (H, W) float32."""
    height, width = shape
    grid = rng.uniform(-1, 1, (int(max(2, min(cells[0], height))) + 2, int(max(2, min(cells[1], width))) + 2))
    return np.asarray(cv2.resize(grid.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC), np.float32)


def fractal(
    rng: np.random.Generator, shape: tuple[int, int], cells: float | tuple[float, float], octaves: int = 4
) -> Plane:
    """Sum of octaves of smooth noise, each twice as fine and 0.55 as strong; about -1 to 1."""
    rows, columns = cells if isinstance(cells, tuple) else (cells, cells)
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        total += 0.55**octave * smooth(rng, shape, (rows * 2**octave, columns * 2**octave))
    return total * 0.7
