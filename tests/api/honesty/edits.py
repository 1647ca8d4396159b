"""Edits that leave a photo the same exposure, as a claimant or a messenger makes them."""

from __future__ import annotations

import io
from collections.abc import Callable

import cv2
import numpy as np
from PIL import Image

Picture = np.ndarray
SIDE = 1 - 0.9**0.5
"""Cut from two sides, this leaves nine tenths of the area."""


def jpeg(picture: Picture, quality: int) -> Picture:
    """Saved as JPEG and read again."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality)
    return np.asarray(Image.open(out).convert("RGB"))


def rescale(picture: Picture, factor: float) -> Picture:
    """By area means when smaller, bicubic when larger."""
    height, width = picture.shape[:2]
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    return cv2.resize(picture, (round(width * factor), round(height * factor)), interpolation=how)


def crop(picture: Picture, left: float, top: float, right: float, bottom: float) -> Picture:
    """Shares of the sides cut off."""
    height, width = picture.shape[:2]
    return picture[
        round(top * height) : height - round(bottom * height), round(left * width) : width - round(right * width)
    ]


def tone(picture: Picture, brightness: float = 0.0, contrast: float = 1.0, gamma: float = 1.0) -> Picture:
    """Codes of 0 to 1 raised to gamma, stretched about the middle, shifted."""
    codes = (np.arange(256) / 255) ** gamma
    return np.round(255 * np.clip((codes - 0.5) * contrast + 0.5 + brightness, 0, 1)).astype(np.uint8)[picture]


def mirrored(picture: Picture) -> Picture:
    """Left and right swapped."""
    return np.ascontiguousarray(picture[:, ::-1])


def turned(picture: Picture, quarters: int) -> Picture:
    """By right angles, counter-clockwise."""
    return np.ascontiguousarray(np.rot90(picture, quarters))


EDITS: dict[str, Callable[[Picture], Picture]] = {
    "rescaled to 0.25": lambda p: rescale(p, 0.25),
    "rescaled to 0.5": lambda p: rescale(p, 0.5),
    "rescaled to 1.5": lambda p: rescale(p, 1.5),
    "JPEG 30": lambda p: jpeg(p, 30),
    "JPEG 60": lambda p: jpeg(p, 60),
    "JPEG 95": lambda p: jpeg(p, 95),
    "a tenth cropped, all round": lambda p: crop(p, SIDE / 2, SIDE / 2, SIDE / 2, SIDE / 2),
    "a tenth cropped, at a corner": lambda p: crop(p, SIDE, SIDE, 0, 0),
    "a tenth cropped, at the left": lambda p: crop(p, 0.1, 0, 0, 0),
    "a tenth cropped, at the bottom": lambda p: crop(p, 0, 0, 0, 0.1),
    "turned by 90": lambda p: turned(p, 1),
    "turned by 180": lambda p: turned(p, 2),
    "turned by 270": lambda p: turned(p, 3),
    "mirrored": mirrored,
    "brighter by 0.15": lambda p: tone(p, brightness=0.15),
    "darker by 0.15": lambda p: tone(p, brightness=-0.15),
    "contrast 0.7": lambda p: tone(p, contrast=0.7),
    "contrast 1.3": lambda p: tone(p, contrast=1.3),
    "gamma 0.7": lambda p: tone(p, gamma=0.7),
    "gamma 1.5": lambda p: tone(p, gamma=1.5),
}
"""Each edit by itself, at its limits."""


def anyhow(picture: Picture, rng: np.random.Generator) -> Picture:
    """All edits one after the other, by chance within their limits: crop, tones, scale, turn, mirror, JPEG."""
    cut = rng.dirichlet(np.ones(5))[:4] * rng.uniform(0, 0.1)
    edited = crop(picture, *cut)
    edited = tone(edited, rng.uniform(-0.15, 0.15), rng.uniform(0.75, 1.3), np.exp(rng.uniform(-0.35, 0.35)))
    edited = rescale(edited, np.exp(rng.uniform(np.log(0.25), np.log(1.5))))
    edited = turned(edited, int(rng.integers(4)))
    return jpeg(mirrored(edited) if rng.random() < 0.5 else edited, int(rng.integers(30, 96)))
