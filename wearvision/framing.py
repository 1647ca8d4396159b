"""Squares of a photo: which to look at, and how they are cut out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FILL = 127
"""Grey level outside the photo; the network's inputs are (x - 127) / 128, so it reads as zero."""
MARGIN = 1.3
"""Side of the closer look over the part's larger extent; the network was trained with about as much room."""
CLOSER = 0.75
"""A closer look is taken when it would be smaller than this share of the first; else surroundings, which help to tell
what is no part, are worth more."""
LEAST = 4
"""A part of fewer rows or columns is none."""


@dataclass(frozen=True, slots=True)
class Window:
    """A square cut from an image: top left corner and side, in whole pixels of the image (may reach outside)."""

    row: int
    col: int
    side: int


def whole(shape: tuple[int, ...]) -> Window:
    """The smallest square that holds the image, centred."""
    height, width = shape[:2]
    side = max(height, width)
    return Window((height - side) // 2, (width - side) // 2, side)


def surrounds(part: NDArray[np.bool_], window: Window) -> Window | None:
    """The square about a part that a look marked, with ``MARGIN``; None where it would gain too little.

    Args:
        part: (S, S) bool, what belongs to the part.
        window: Where that square lies in the image.
    """
    rows, cols = np.flatnonzero(part.any(1)), np.flatnonzero(part.any(0))
    if rows.size < LEAST or cols.size < LEAST:
        return None
    scale = window.side / part.shape[0]
    tall, wide = (rows[-1] - rows[0] + 1) * scale, (cols[-1] - cols[0] + 1) * scale
    side = max(8, round(max(tall, wide) * MARGIN))
    row = round(window.row + (rows[0] + rows[-1] + 1) / 2 * scale - side / 2)
    col = round(window.col + (cols[0] + cols[-1] + 1) / 2 * scale - side / 2)
    return Window(row, col, side) if side <= CLOSER * window.side else None


def square_crop(image: NDArray[np.uint8], window: Window, size: int) -> NDArray[np.uint8]:
    """Cuts a square and scales it to ``size``; what lies outside the image is ``FILL``.

    Args:
        image: RGB, (H, W, 3) uint8.
        window: Where; may reach over the edges.
        size: Side of the result in pixels.
    """
    height, width = image.shape[:2]
    scale = size / window.side
    row0, col0 = max(window.row, 0), max(window.col, 0)
    row1, col1 = min(window.row + window.side, height), min(window.col + window.side, width)
    out = np.full((size, size, 3), FILL, np.uint8)
    if row1 <= row0 or col1 <= col0:
        return out
    # A sliver at the far edge rounds to the side itself; it still gets the last row or column.
    top, left = (min(round(offset * scale), size - 1) for offset in (row0 - window.row, col0 - window.col))
    tall = min(max(round((row1 - row0) * scale), 1), size - top)
    wide = min(max(round((col1 - col0) * scale), 1), size - left)
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    out[top : top + tall, left : left + wide] = cv2.resize(
        image[row0:row1, col0:col1], (wide, tall), interpolation=method
    )
    return out
