"""What happens to photos on their way: the same picture as a messenger or another exposure would give it."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

Photo = NDArray[np.uint8]
Change = Callable[[Photo], Photo]


def jpeg(image: Photo, quality: int) -> Photo:
    """The picture after one more JPEG: RGB, (H, W, 3) uint8, ``quality`` 1 to 100."""
    done, data = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"a picture of shape {image.shape} cannot be written as JPEG")
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)[..., ::-1].copy()


def half_size(image: Photo) -> Photo:
    """The picture at half its height and width."""
    height, width = image.shape[:2]
    size = (max(1, width // 2), max(1, height // 2))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)


def exposed(image: Photo, stops: float) -> Photo:
    """The picture with its linear light times two to the ``stops``, clipped as a sensor clips.

    Source: sRGB transfer function of IEC 61966-2-1.
    """
    levels = np.arange(256) / 255.0
    linear = np.where(levels <= 0.04045, levels / 12.92, ((levels + 0.055) / 1.055) ** 2.4)
    light = np.clip(linear * 2.0**stops, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    table: Photo = np.round(coded * 255).astype(np.uint8)
    return table[image]


CHANGES: dict[str, Change] = {
    "JPEG quality 50": lambda image: jpeg(image, 50),
    "half size": half_size,
    "one stop brighter": lambda image: exposed(image, 1.0),
    "one stop darker": lambda image: exposed(image, -1.0),
}
"""By the name that reports give them."""
