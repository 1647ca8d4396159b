"""The return tag's QR code in a photo: squares sampled where the markers say that they lie, the library decodes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.markers import square_mm
from wearvision.return_numbers import read_number
from wearvision.return_tag_print import QR_AT_MM, QR_MM

SIDE = 21
"""Squares along the code of a return number, version 1."""
_STEP = 8  # pixels a square in the levelled picture
_CLEAN = 4  # the same where it is drawn anew
_MARGIN = 3  # squares of white around it that are looked at
_SHARPENED = (0.0, 0.35, 0.8)  # how much of the neighbours' light is taken off; more for blurred pictures
_MOST_WRONG = 0.3  # share of the squares known beforehand that may come out wrong
_DECODER = cv2.QRCodeDetector


def read_code(grey: NDArray[np.uint8], homography: NDArray[np.float64], *, exact: bool) -> str | None:
    """The return number in the code; None where none can be read.

    Args:
        grey: The photo, (H, W) uint8.
        homography: (3, 3), from x, y in millimetres on the tag to x, y in pixels.
        exact: True where it holds within a part of a square, so that squares can be sampled by it.
    """
    if exact:
        squares = _squares(_levelled(grey, homography, _MARGIN, _STEP))
        for amount in _SHARPENED:
            number = _from_squares(squares, amount)
            if number is not None:
                return number
    around = _SIDE_ROUGH if not exact else 2 * _MARGIN
    return first_number(_levelled(grey, homography, around, _STEP))


_SIDE_ROUGH = 10


def first_number(grey: NDArray[np.uint8]) -> str | None:
    """The return number in any QR code of a picture, searched for by the library; None where there is none."""
    numbers = numbers_in(grey)
    return numbers[0] if numbers else None


def numbers_in(grey: NDArray[np.uint8]) -> list[str]:
    """Every return number in the QR codes of a picture, each once; codes that hold something else are passed over."""
    try:
        _, texts, _, _ = _DECODER().detectAndDecodeMulti(grey)
    except cv2.error:  # the library gives up on some pictures with an error; that too means no code
        return []
    found = (read_number(text) for text in texts)
    return list(dict.fromkeys(number for number in found if number is not None))


def _levelled(grey: NDArray[np.uint8], homography: NDArray[np.float64], margin: int, step: int) -> NDArray[np.uint8]:
    """The code seen straight from above, ``step`` pixels a square, with a margin of so many squares."""
    square = QR_MM / SIDE
    # Pixel centres: the levelled picture's first pixel lies half a pixel in from its edge.
    to_mm = np.array(
        [
            [square / step, 0, QR_AT_MM[0] - margin * square + square / step / 2],
            [0, square / step, QR_AT_MM[1] - margin * square + square / step / 2],
            [0, 0, 1],
        ]
    )
    side = (SIDE + 2 * margin) * step
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    level = cv2.warpPerspective(grey, homography @ to_mm, (side, side), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(level, np.uint8)


def _squares(level: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Mean light of the middle of each square, margin included."""
    count = SIDE + 2 * _MARGIN
    inner = slice(_STEP // 4, _STEP - _STEP // 4)
    blocks = level.reshape(count, _STEP, count, _STEP)[:, inner, :, inner]
    return np.asarray(blocks.mean(axis=(1, 3)), np.float64)


def _from_squares(squares: NDArray[np.float64], amount: float) -> str | None:
    """Splits the squares into black and white, draws them clean and lets the library decode them."""
    cross = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float64) / 4
    light = squares + amount * (squares - cv2.filter2D(squares, -1, cross, borderType=cv2.BORDER_REPLICATE))
    level = _plane(light, _KNOWN == 1) / 2 + _plane(light, _KNOWN == 0) / 2
    white = light > level
    known = _KNOWN >= 0
    if np.mean(white[known] != _KNOWN[known].astype(bool)) > _MOST_WRONG:
        return None
    white = np.where(known, _KNOWN == 1, white)
    clean = np.kron(white, np.full((_CLEAN, _CLEAN), 255)).astype(np.uint8)
    corners = square_mm((_MARGIN * _CLEAN, _MARGIN * _CLEAN), SIDE * _CLEAN)
    try:
        text, _ = _DECODER().decode(clean, corners.astype(np.float32)[None])
    except cv2.error:
        return None
    return read_number(text)


def _plane(light: NDArray[np.float64], where: NDArray[np.bool_]) -> NDArray[np.float64]:
    """A plane laid through the light of some squares: a shadow's slope over the tag is followed."""
    rows, columns = np.indices(light.shape)
    basis = np.stack([np.ones(light.shape), rows, columns], axis=-1)
    coefficients = np.linalg.lstsq(basis[where], light[where], rcond=None)[0]
    return np.asarray(basis @ coefficients, np.float64)


def _known() -> NDArray[np.int8]:
    """Squares that every code of this size has: 1 white, 0 black, -1 differs from number to number."""
    code = np.full((SIDE, SIDE), -1, np.int8)
    code[6, :], code[:, 6] = np.arange(SIDE) % 2, np.arange(SIDE) % 2
    ring = np.maximum(*np.abs(np.indices((8, 8)) - 3))
    eye = np.where((ring == 2) | (ring == 4), 1, 0)
    code[:8, :8], code[:8, -8:], code[-8:, :8] = eye, eye[:, ::-1], eye[::-1]
    code[13, 8] = 0
    return np.pad(code, _MARGIN, constant_values=1)


_KNOWN = _known()
