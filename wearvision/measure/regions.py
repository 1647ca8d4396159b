"""Small helpers on region masks, bool or of probabilities."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Region = NDArray[np.bool_] | NDArray[np.floating]
Points = NDArray[np.float64]


def as_weight(region: Region) -> NDArray[np.float32]:
    """The region as float32 (H, W), 0 to 1; a new array.

    Raises:
        ValueError: not two-dimensional, or neither bool nor floating.
    """
    if region.ndim != 2:
        raise ValueError(f"a region is (H, W), this one has shape {region.shape}")
    if region.dtype != np.bool_ and not np.issubdtype(region.dtype, np.floating):
        raise ValueError(f"a region is bool or floating, this one is {region.dtype}")
    return np.clip(region.astype(np.float32), 0.0, 1.0)


def as_bool(region: Region) -> NDArray[np.bool_]:
    """The region at half level, bool (H, W); a new array. Raises as :func:`as_weight`."""
    if region.ndim == 2 and region.dtype == np.bool_:
        return np.array(region, np.bool_)
    return as_weight(region) >= 0.5


def components(region: Region, *, least_px: int = 1) -> list[NDArray[np.bool_]]:
    """Connected pieces (8 neighbours) of at least ``least_px`` pixels, the largest first."""
    whole = as_bool(region)
    window = bounds(whole)
    if window is None:
        return []
    near = whole[window].view(np.uint8)
    # Following outlines costs a tenth of labelling pixels, and mostly there is one piece.
    if len(cv2.findContours(near, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]) == 1:
        return [whole] if np.count_nonzero(near) >= least_px else []
    labels, areas = labelled(near)
    order = sorted(range(1, areas.size), key=lambda label: -int(areas[label]))
    return [_laid(labels == label, window, whole.shape) for label in order if areas[label] >= least_px]


def labelled(region: NDArray[np.uint8]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Number of each pixel's connected piece (8 neighbours), 0 outside, (H, W); and each number's pixels."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(region, connectivity=8)
    return np.asarray(labels, np.int32), np.asarray(stats[:, cv2.CC_STAT_AREA], np.int32)


def _laid(piece: NDArray[np.bool_], window: tuple[slice, slice], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    whole = np.zeros(shape, bool)
    whole[window] = piece
    return whole


def bounds(region: NDArray[np.bool_], *, margin: int = 0) -> tuple[slice, slice] | None:
    """The rows and columns that hold the region, widened by ``margin`` and kept inside; None if it is empty."""
    left, top, width, height = cv2.boundingRect(region.view(np.uint8))
    if width == 0:
        return None
    return (
        slice(max(0, top - margin), min(region.shape[0], top + height + margin)),
        slice(max(0, left - margin), min(region.shape[1], left + width + margin)),
    )


def depth_inside(region: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Each inner pixel's distance to the nearest pixel outside, 1 along the border; the frame counts as outside."""
    padded = np.pad(region, 1).view(np.uint8)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1], np.float32)


def distance_to(region: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Each pixel's distance to the nearest pixel of the region, which must not be empty, between centres; 0 inside."""
    return np.asarray(cv2.distanceTransform((~region).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE), np.float32)


def main_axis(region: Region) -> tuple[Points, Points]:
    """Centroid and unit direction of greatest extent, both (row, column). The region must not be empty."""
    moments = cv2.moments(as_bool(region).view(np.uint8), binaryImage=True)
    count = moments["m00"]
    centre = np.array([moments["m01"] / count, moments["m10"] / count])
    spread = np.array([[moments["mu02"], moments["mu11"]], [moments["mu11"], moments["mu20"]]])
    _, vectors = np.linalg.eigh(spread if count > 1 else np.eye(2))
    return centre, vectors[:, -1]


def border_points(region: NDArray[np.bool_]) -> Points:
    """The outermost pixels of a region, (N, 2) row, column: no other pixel of it reaches farther in any direction."""
    outlines, _ = cv2.findContours(region.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.concatenate(outlines)[:, 0, ::-1].astype(np.float64)


def strip(
    region: Region, origin: Points, direction: Points, *, back: int, ahead: int, half: int
) -> NDArray[np.float32]:
    """The region seen along a straight axis: columns step along it, rows across it, one pixel each.

    Args:
        region: (H, W).
        origin: Row, column of the point that lands at row ``half``, column ``back``.
        direction: Unit vector (row, column) along the axis.
        back: Pixels shown behind the origin.
        ahead: Pixels shown before it.
        half: Pixels shown to each side.
    Returns:
        (2 half + 1, back + ahead + 1) float32, linearly interpolated; outside the picture 0.
    """
    row, column = float(direction[0]), float(direction[1])
    # Output x runs along the axis, output y across it (the axis turned by +90 degrees); x, y order for OpenCV.
    matrix = np.array(
        [
            [column, -row, origin[1] - back * column + half * row],
            [row, column, origin[0] - back * row - half * column],
        ]
    )
    size = (back + ahead + 1, 2 * half + 1)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpAffine(as_weight(region), matrix, size, flags=flags, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(seen, np.float32)


def edge_columns(profile: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """First and last crossing of half level in each column, in sub-pixel rows; NaN where a column never reaches it."""
    inside = profile >= 0.5
    any_inside = inside.any(axis=0)
    height, width = profile.shape
    columns = np.arange(width)
    first = inside.argmax(axis=0)
    last = height - 1 - inside[::-1].argmax(axis=0)

    def crossing(index: NDArray[np.intp], step: int) -> NDArray[np.float64]:
        outer = np.clip(index + step, 0, height - 1)
        at, beyond = profile[index, columns].astype(np.float64), profile[outer, columns].astype(np.float64)
        drop = np.maximum(at - beyond, 1e-6)
        share = np.where(outer == index, 0.5, np.clip((at - 0.5) / drop, 0.0, 1.0))
        return np.where(any_inside, index + step * share, np.nan)

    return crossing(first, -1), crossing(last, 1)
