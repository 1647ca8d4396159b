"""The square markers printed on scale card and return tag, found in a photo."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.regions import Points

DICTIONARY = cv2.aruco.DICT_5X5_100
"""Any two of its markers differ in seven of 25 squares or more; card and tag share it and use different ids."""
MODULES = 7  # squares along a marker's side, with its black border
LEAST_HALVED_PX = 600  # smaller pictures cost little, and halving would lose their markers
QUICK_WINDOW_PX, QUICK_PERIMETER_PX = 5, 25  # chosen on drawn tags: 117 of 117 that were laid over were still found
MOST = 64  # markers of a photo that are looked at; more is a printed pattern


@dataclass(frozen=True, slots=True)
class Marker:
    """A marker in a photo; ``corners`` are x, y in pixels, (4, 2), from its own upper left corner clockwise."""

    id: int
    corners: Points

    @property
    def side_px(self) -> float:
        """Mean length of its four sides."""
        return float(np.hypot(*(np.roll(self.corners, -1, axis=0) - self.corners).T).mean())


def bits_of(marker: int) -> NDArray[np.bool_]:
    """A marker's 7 x 7 squares with its black border, True for white."""
    return cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(DICTIONARY), marker, MODULES) > 127


def square_mm(corner: tuple[float, float], side: float) -> Points:
    """Corners of an upright square, clockwise from its upper left one, x right and y down, (4, 2)."""
    return np.array(corner) + side * np.array([(0, 0), (1, 0), (1, 1), (0, 1)], np.float64)


def find_markers(grey: NDArray[np.uint8]) -> list[Marker]:
    """All markers of the dictionary in a grey picture, (H, W) uint8; the same id more than once if it is there."""
    if min(grey.shape) < 3:
        return []
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)
    corners, ids, _ = detector.detectMarkers(grey)
    if ids is None:
        return []
    found = zip(np.asarray(ids).ravel()[:MOST], corners, strict=False)
    return [Marker(int(code), np.asarray(place, np.float64).reshape(4, 2)) for code, place in found]


def markers_at_hand(grey: NDArray[np.uint8]) -> list[Marker]:
    """As :func:`find_markers`, at a tenth of its cost where the picture at half size shows fewer than two squares.

    For a use that needs two markers or more, of 17 pixels a side or more; smaller ones, and one alone, may be missed.
    """
    if max(grey.shape) < LEAST_HALVED_PX:
        return find_markers(grey)
    half = np.asarray(cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
    quick = cv2.aruco.DetectorParameters()
    quick.adaptiveThreshWinSizeMin = quick.adaptiveThreshWinSizeMax = QUICK_WINDOW_PX
    quick.minMarkerPerimeterRate = QUICK_PERIMETER_PX / max(half.shape)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), quick)
    read, _, unread = detector.detectMarkers(half)
    return find_markers(grey) if len(read) + len(unread) >= 2 else []


def grey_of(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The grey picture of a photo. Raises ValueError for anything but uint8 (H, W, 3) or (H, W)."""
    image = np.asarray(image)
    if image.dtype != np.uint8 or not (image.ndim == 2 or (image.ndim == 3 and image.shape[2] == 3)) or not image.size:
        raise ValueError(f"a photo is uint8 (H, W, 3) or (H, W), this is {image.dtype} {image.shape}")
    return image if image.ndim == 2 else np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)
