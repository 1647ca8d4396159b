"""Distances in a raster that come out the same every time."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def depth_inside(mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Distance of each pixel's middle to that of the nearest pixel outside the mask, (H, W) float32; 0 outside.

    OpenCV's exact transform rounds its last digit by where the array lies in memory. Squares of these distances are
    whole numbers, so the rounding can be undone.
    """
    rounded = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return np.sqrt(np.round(rounded.astype(np.float64) ** 2)).astype(np.float32)
