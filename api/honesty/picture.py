"""The small grey picture that is kept of each photo, and compared in place of it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

SIDE_PX = 200
"""The picture has the area of a square of this side, so a crop of a tenth changes the scale by a twentieth."""
MOST_BYTES = 7000
QUALITIES = (85, 75, 65, 55, 45, 35, 25, 15, 8, 4)


def normal_picture(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """A photo in grey, about 200² pixels, in its own proportions.

    Args:
        image: Upright RGB (H, W, 3) or grey (H, W), uint8.
    """
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) if image.ndim == 3 else image, np.uint8)
    height, width = grey.shape
    factor = SIDE_PX / (height * width) ** 0.5
    size = max(8, round(width * factor)), max(8, round(height * factor))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC), np.uint8)


def pack(picture: NDArray[np.uint8]) -> bytes:
    """A normal picture as JPEG of at most 7,000 bytes: as good as that allows."""
    for quality in QUALITIES:
        data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
        if len(data) <= MOST_BYTES:
            break
    return data


def unpack(data: bytes) -> NDArray[np.uint8]:
    """The picture that ``pack`` packed, but for the loss."""
    return np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE), np.uint8)
