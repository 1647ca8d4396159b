"""The return tag's grey patches in a photo: what light and camera did to colours. Nothing is recoloured by it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import srgb_decode
from wearvision.return_tag_print import PATCH_MM, PATCHES_MM

CLIPPED_CODES = (4, 250)  # at or beyond these a channel holds no more difference
CLIPPED_SHARE = 0.05
_STEP = 4  # pixels a millimetre in the levelled patches
_INNER = 0.2  # share left off on every side of a patch: soft edges
_WHITE_MM = (43.7, 1.7)  # top and height of the white between patches and rule; above them somebody writes


@dataclass(frozen=True, slots=True)
class Patch:
    """One patch: ``code`` as printed, ``seen`` the median sRGB codes in the photo, ``clipped`` black or white there."""

    code: int
    seen: tuple[float, float, float]
    clipped: bool


@dataclass(frozen=True, slots=True)
class GreyReading:
    """The patches of a tag in one photo.

    Attributes:
        patches: Darkest first.
        gains: What red, green and blue must be multiplied by, in linear light, for the patches to come out grey; green
            is 1. None where fewer than two patches are unclipped.
        brightness: Linear light of the patches over what their codes stand for, 1 for a picture as bright as the page
            was drawn. A printer's greys differ, so it compares photos of one tag, not tags.
        falloff: Light on the white beside the darkest-lit patch over that beside the brightest-lit, 0 to 1; well
            under 1 a shadow or a lamp's edge lies across the tag.
    """

    patches: tuple[Patch, ...]
    gains: tuple[float, float, float] | None
    brightness: float | None
    falloff: float

    @property
    def clipped(self) -> tuple[int, ...]:
        """Codes of the patches that are black or white in the photo."""
        return tuple(patch.code for patch in self.patches if patch.clipped)

    def to_dict(self) -> dict[str, Any]:
        """Plain values, rounded."""
        return {
            "patches": [
                {"code": p.code, "seen": [round(v, 1) for v in p.seen], "clipped": p.clipped} for p in self.patches
            ],
            "gains": None if self.gains is None else [round(v, 3) for v in self.gains],
            "brightness": None if self.brightness is None else round(self.brightness, 3),
            "falloff": round(self.falloff, 3),
        }


def read_grey(image: NDArray[np.uint8], homography: NDArray[np.float64]) -> GreyReading:
    """The patches of a tag.

    Args:
        image: RGB, (H, W, 3) uint8.
        homography: (3, 3), from x, y in millimetres on the tag to x, y in pixels.
    """
    patches, white = [], []
    for code, (x, y) in PATCHES_MM.items():
        width, height = PATCH_MM
        inner = (x + _INNER * width, y + _INNER * height, (1 - 2 * _INNER) * width, (1 - 2 * _INNER) * height)
        seen = _pixels(image, homography, inner)
        beyond = (seen <= CLIPPED_CODES[0]) | (seen >= CLIPPED_CODES[1])
        red, green, blue = np.median(seen, axis=0).tolist()
        patches.append(Patch(code, (red, green, blue), bool(beyond.mean(axis=0).max() > CLIPPED_SHARE)))
        beside = _pixels(image, homography, (inner[0], _WHITE_MM[0], inner[2], _WHITE_MM[1]))
        white.append(float(srgb_decode(np.median(beside, axis=0) / 255).mean()))
    gains, brightness = _balance(tuple(patches))
    return GreyReading(tuple(patches), gains, brightness, min(white) / max(*white, 1e-9))


def _pixels(
    image: NDArray[np.uint8], homography: NDArray[np.float64], box_mm: tuple[float, float, float, float]
) -> NDArray[np.uint8]:
    """The pixels of an upright box on the tag (left, top, width, height), (N, 3)."""
    x, y, width, height = box_mm
    size = (max(2, round(width * _STEP)), max(2, round(height * _STEP)))
    to_mm = np.array([[width / size[0], 0, x], [0, height / size[1], y], [0, 0, 1.0]])
    to_mm[:2, 2] += to_mm.diagonal()[:2] / 2  # pixel centres
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    level = cv2.warpPerspective(image, homography @ to_mm, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(level, np.uint8).reshape(-1, 3)


def _balance(patches: tuple[Patch, ...]) -> tuple[tuple[float, float, float] | None, float | None]:
    """Gains (green reference: the common grey-patch balance) and brightness, from the unclipped patches."""
    whole = [patch for patch in patches if not patch.clipped]
    if len(whole) < 2:
        return None, None
    seen = srgb_decode(np.array([patch.seen for patch in whole]) / 255)
    stated = srgb_decode(np.array([patch.code for patch in whole]) / 255)
    red, green, blue = (stated @ seen / (stated @ stated)).tolist()
    return (green / red, 1.0, green / blue), float(np.median(seen[:, 1] / stated))
