"""A contact sheet: labelled pictures side by side with their truth, to be looked at."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.example import Example

COLUMNS = 6
CAPTION = 46  # pixels under each picture
COLOURS = ((255, 60, 60), (60, 255, 60), (80, 160, 255), (255, 220, 0), (255, 0, 255), (0, 255, 255), (255, 140, 0))


def make_sheet(examples: Iterable[Example], *, outlines: bool = False) -> NDArray[np.uint8]:
    """The sheet, RGB uint8; ``outlines`` draws each region's truth over the picture."""
    tiles = [_tile(example, outlines) for example in examples]
    height, width = tiles[0].shape[:2]
    rows = -(-len(tiles) // COLUMNS)
    sheet = np.full((rows * height, min(COLUMNS, len(tiles)) * width, 3), 20, np.uint8)
    for number, tile in enumerate(tiles):
        row, column = divmod(number, COLUMNS)
        sheet[row * height : (row + 1) * height, column * width : (column + 1) * width] = tile
    return sheet


def _tile(example: Example, outlines: bool) -> NDArray[np.uint8]:
    size = example.image.shape[0]
    tile = np.full((size + CAPTION, size, 3), 20, np.uint8)
    tile[:size] = example.image
    if outlines:
        for (_, mask), colour in zip(sorted(example.masks.items()), COLOURS * 3, strict=False):
            found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            cv2.drawContours(tile[:size], found, -1, colour, 1)
    shown = [f"{name[:12]} {value:.2f}" for name, value in example.measures.items() if value]
    lines = [f"{example.recipe.family} {example.view}", "  ".join(shown[:3]), "  ".join(shown[3:])]
    for number, line in enumerate(lines):
        at = (3, size + 13 + 14 * number)
        cv2.putText(tile, line, at, cv2.FONT_HERSHEY_SIMPLEX, 0.38, (235, 235, 235), 1, cv2.LINE_AA)
    return tile
