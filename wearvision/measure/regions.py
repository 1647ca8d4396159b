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
    return as_weight(region) >= 0.5


def components(region: Region, *, least_px: int = 1) -> list[NDArray[np.bool_]]:
    """Connected pieces (8 neighbours) of at least ``least_px`` pixels, the largest first."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(as_bool(region).astype(np.uint8), connectivity=8)
    order = sorted(range(1, count), key=lambda label: -int(stats[label, cv2.CC_STAT_AREA]))
    return [labels == label for label in order if stats[label, cv2.CC_STAT_AREA] >= least_px]


def bounds(region: NDArray[np.bool_], *, margin: int = 0) -> tuple[slice, slice] | None:
    """The rows and columns that hold the region, widened by ``margin`` and kept inside; None if it is empty."""
    rows = np.flatnonzero(region.any(axis=1))
    if rows.size == 0:
        return None
    columns = np.flatnonzero(region.any(axis=0))
    height, width = region.shape
    return (
        slice(max(0, int(rows[0]) - margin), min(height, int(rows[-1]) + 1 + margin)),
        slice(max(0, int(columns[0]) - margin), min(width, int(columns[-1]) + 1 + margin)),
    )


def depth_inside(region: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Each inner pixel's distance to the nearest pixel outside, 1 along the border; the frame counts as outside."""
    padded = np.pad(region, 1).astype(np.uint8)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1], np.float32)


def distance_to(region: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Each pixel's distance to the nearest pixel of the region, which must not be empty, between centres; 0 inside."""
    return np.asarray(cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE), np.float32)


def main_axis(region: Region) -> tuple[Points, Points]:
    """Centroid and unit direction of greatest extent, both (row, column). The region must not be empty."""
    points = np.argwhere(as_bool(region)).astype(np.float64)
    centre = points.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((points - centre).T) if len(points) > 1 else np.eye(2))
    return centre, vectors[:, -1]


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
