"""Looks at the part: closely where the model's finder sees it, else at the whole picture first and then closer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision.framing import Window, square_crop, surrounds, whole
from wearvision.network import Network
from wearvision.sighting import Sighting
from wearvision.steps import Step

SEEN = 0.5
"""Probability from which a pixel belongs to the part."""
CUT = 0.04
"""Share of a side along which the part may run out of a closer look before that is taken to have missed some of it."""


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

    Nearly always one look is enough, of the square where the finder sees a part. Where that shows none, or cuts the
    part off, the whole image is looked at as if there were no finder.

    Args:
        network: The model.
        image: RGB, (H, W, 3) uint8, the working image.

    Returns:
        A closer look where there is one and it shows the same part, else the look at the whole.
    """
    with Step("finder"):
        window = network.find(image)
    if window is not None:
        with Step("closer look"):
            seen = _look_at(network, image, window)
        if seen.sighting.part != "none" and not _cut_off(seen, image.shape):
            return seen
    return _two_looks(network, image)


def _two_looks(network: Network, image: NDArray[np.uint8]) -> Look:
    with Step("whole look"):
        first = _look_at(network, image, whole(image.shape))
    part = first.sighting.part
    window = closer_window(first) if part != "none" else None
    if window is None:
        return first
    with Step("closer look"):
        second = _look_at(network, image, window)
    return second if second.sighting.part == part else first


def _cut_off(seen: Look, shape: tuple[int, ...]) -> bool:
    """Whether the part runs out of the square at a side beyond which the photo goes on."""
    part, window = seen.sighting.regions["part"], seen.window
    sides = (
        (part[0], window.row > 0),
        (part[-1], window.row + window.side < shape[0]),
        (part[:, 0], window.col > 0),
        (part[:, -1], window.col + window.side < shape[1]),
    )
    return any(goes_on and float((line > SEEN).mean()) > CUT for line, goes_on in sides)


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
    return surrounds(first.sighting.regions["part"] > SEEN, first.window)
