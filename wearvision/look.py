"""Finds the part: one look at the whole picture, and a closer one where the part is small in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision.network import Network, Window, square_crop, whole
from wearvision.sighting import Sighting

MARGIN = 1.3
"""Side of the closer look over the part's larger extent; the network was trained with about as much room."""
CLOSER = 0.75
"""A closer look is taken when it would be smaller than this share of the first."""
SEEN = 0.5


@dataclass(frozen=True, slots=True)
class Look:
    """A square of the photo and what the network saw in it.

    Attributes:
        square: RGB, (S, S, 3) uint8, the picture the network was given.
        window: Where the square lies in the photo's working image.
        sighting: What was seen.
        inside: Rows and columns of the square that the photo fills; the rest lies outside it.
    """

    square: NDArray[np.uint8]
    window: Window
    sighting: Sighting
    inside: tuple[slice, slice]

    @property
    def pixels_per_pixel(self) -> float:
        """Working-image pixels per pixel of the square; under 1 the square is enlarged."""
        return self.window.side / int(self.square.shape[0])


def look(network: Network, image: NDArray[np.uint8]) -> Look:
    """The best look at the part in an image.

    Args:
        network: The model.
        image: RGB, (H, W, 3) uint8, the working image.

    Returns:
        The closer look where there is one and it shows the same part, else the look at the whole.
    """
    first = _look_at(network, image, whole(image.shape))
    part = first.sighting.part
    window = closer_window(first) if part != "none" else None
    if window is None:
        return first
    second = _look_at(network, image, window)
    return second if second.sighting.part == part else first


def _look_at(network: Network, image: NDArray[np.uint8], window: Window) -> Look:
    square = square_crop(image, window, network.size)
    return Look(square, window, network(square), _inside(image.shape, window, network.size))


def _inside(shape: tuple[int, ...], window: Window, size: int) -> tuple[slice, slice]:
    scale = size / window.side
    spans = []
    for length, start in zip(shape[:2], (window.row, window.col), strict=True):
        first, last = round(max(0.0, -start) * scale), round(min(length - start, window.side) * scale)
        spans.append(slice(max(0, first), min(size, last)))
    return spans[0], spans[1]


def closer_window(first: Look) -> Window | None:
    """Where a closer look at the part that a look marked would lie; None where it would gain too little."""
    part = first.sighting.regions["part"] > SEEN
    rows, cols = np.flatnonzero(part.any(1)), np.flatnonzero(part.any(0))
    if rows.size < 4 or cols.size < 4:
        return None
    scale = first.pixels_per_pixel
    tall, wide = (rows[-1] - rows[0] + 1) * scale, (cols[-1] - cols[0] + 1) * scale
    side = max(8, round(max(tall, wide) * MARGIN))
    row = round(first.window.row + (rows[0] + rows[-1] + 1) / 2 * scale - side / 2)
    col = round(first.window.col + (cols[0] + cols[-1] + 1) / 2 * scale - side / 2)
    return Window(row, col, side) if side <= CLOSER * first.window.side else None
