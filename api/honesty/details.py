"""Details of a picture: where they are, what they look like, and a short mark of each for the index.

A detail is found again after a crop, a turn or another scale, which the whole picture is not. Its mark is the signs of
the lowest cosine coefficients of its surroundings, turned upright: they stay under compression and changes of tone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

MARKED = 80
"""Strongest details that get a mark; the index keeps those of them that are rare."""
LOOKED_AT = 40
"""Strongest details whose marks are looked up: twice as many take twice as long and find hardly more."""
ALIGNED_BY = 300
"""Strongest details by which two pictures are laid over each other."""
BITS = 24
FLIPS = 2
"""The least certain bits of a mark, each of which is looked up both ways."""
_LEAST_PX = 4.0  # smaller details do not survive a quarter of the size
_REACH = 2.5  # of a mark's surroundings, in the detail's diameters; tried with 4.0, which no edit favoured
_PATCH = 32
_ORDER = [(row, diagonal - row) for diagonal in range(1, 15) for row in range(8) if 0 <= diagonal - row < 8][:BITS]
_ROWS, _COLUMNS = np.array(_ORDER).T
_SWAYS = _ROWS % 2 == 1
"""Coefficients whose sign turns when the picture is mirrored: the patch is then turned upside down."""
_WEIGHTS = (1 << np.arange(BITS)).astype(np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Details:
    """The strongest details of a picture, by which it is laid over another; strongest first.

    Attributes:
        points: x, y in pixels, (n, 2) float32.
        descriptors: Of unit length, (n, 128) float32.
    """

    points: NDArray[np.float32]
    descriptors: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Marked:
    """What of a picture goes into the index, and is looked up there.

    Attributes:
        coefficients: Cosine coefficients of the strongest details' surroundings, of unit length, (m, 24) float32.
    """

    coefficients: NDArray[np.float32]

    @property
    def marks(self) -> NDArray[np.int64]:
        """The mark of each detail, (m,)."""
        return np.asarray((self.coefficients > 0) @ _WEIGHTS, np.int64)

    def probes(self) -> NDArray[np.int64]:
        """All marks under which each detail may lie in the index, mirrored ones too, (at most 40, 8)."""
        strongest = self.coefficients[:LOOKED_AT]
        ways = [_both_ways(signed) for signed in (strongest, np.where(_SWAYS, -1, 1) * strongest)]
        return np.concatenate(ways, axis=1)


def details(picture: NDArray[np.uint8]) -> Details:
    """The details of a normal picture (``picture.normal_picture``).

    Source: SIFT (Lowe, International Journal of Computer Vision 60, 2004) by OpenCV, the descriptors as square roots
        (Arandjelović and Zisserman, CVPR 2012); from memory.
    """
    found, described = _sift().detectAndCompute(picture, None)
    if described is None:
        return Details(np.zeros((0, 2), np.float32), np.zeros((0, 128), np.float32))
    strongest = _by_strength(found)[:ALIGNED_BY]
    shares = described[strongest]
    shares = np.sqrt(shares / np.maximum(shares.sum(1, keepdims=True), 1e-6))
    return Details(np.array([found[i].pt for i in strongest], np.float32), shares.astype(np.float32))


def mark(picture: NDArray[np.uint8]) -> Marked:
    """The marks of a normal picture; own definition, on the keypoints of ``details``."""
    found = [point for point in _sift().detect(picture, None) if point.size >= _LEAST_PX]
    return Marked(_coefficients(picture, [found[i] for i in _by_strength(found)]))


def _by_strength(found: Sequence[cv2.KeyPoint]) -> list[int]:
    return sorted(range(len(found)), key=lambda i: -found[i].response * found[i].size)


@cache
def _sift() -> cv2.SIFT:
    # A low threshold: what shows on a plain bench is faint. Without precise doubling, a turn moves every point.
    return cv2.SIFT.create(contrastThreshold=0.002, edgeThreshold=15, enable_precise_upscale=True)


def _coefficients(picture: NDArray[np.uint8], found: list[cv2.KeyPoint]) -> NDArray[np.float32]:
    height, width = picture.shape
    basis = _basis()
    soft: dict[int, NDArray[np.float32]] = {}
    rows: list[NDArray[np.float32]] = []
    for point in found:
        reach = point.size * _REACH
        x, y = point.pt
        if min(x, y, width - x, height - y) < reach / 2:
            continue
        step = 2 * reach / _PATCH
        level = round(step)
        if level not in soft:
            softer = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), max(0.3, 0.5 * level))
            soft[level] = np.asarray(softer, np.float32)
        angle = np.deg2rad(point.angle)
        c, s, half = np.cos(angle) * step, np.sin(angle) * step, (_PATCH - 1) / 2
        turned = np.array([[c, -s, x - (c - s) * half], [s, c, y - (s + c) * half]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        patch = cv2.warpAffine(soft[level], turned, (_PATCH, _PATCH), flags=flags, borderMode=cv2.BORDER_REFLECT)
        values = (basis @ patch @ basis.T)[_ROWS, _COLUMNS]
        rows.append(values / max(float(np.linalg.norm(values)), 1e-6))
        if len(rows) == MARKED:
            break
    return np.array(rows, np.float32).reshape(-1, BITS)


@cache
def _basis() -> NDArray[np.float32]:
    """The eight lowest cosines over a patch, one a row."""
    at = (np.arange(_PATCH) + 0.5) / _PATCH
    return np.cos(np.pi * np.arange(8)[:, None] * at).astype(np.float32)


def _both_ways(coefficients: NDArray[np.float32]) -> NDArray[np.int64]:
    """Each mark with its least certain bits both ways, (m, 2 ** FLIPS)."""
    marks = np.asarray((coefficients > 0) @ _WEIGHTS, np.int64)
    doubtful = _WEIGHTS[np.argsort(np.abs(coefficients), axis=1)[:, :FLIPS]]
    turned = np.array([[choice >> bit & 1 for bit in range(FLIPS)] for choice in range(2**FLIPS)])
    return np.asarray(marks[:, None] ^ (doubtful @ turned.T), np.int64)
