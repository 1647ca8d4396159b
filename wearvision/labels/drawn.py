"""Marks and regions drawn by hand as masks."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.labels.label import Shape

LINE_PX = 3.0
"""Width at which a line is drawn into a mask: what measures of lines are checked with, and wide enough to be whole."""

CORNER_RAD = np.radians(50.0)
"""An outline that turns more than this at a point has a corner there; a circle needs about eight points."""

_UNEVEN = (3.0, 6.0)  # ratios of neighbouring sides between which the longer one turns from an arc into an edge
_CURVE_STEP_PX = 2.0
_FINEST, _WIDEST = 8, 3000  # subpixels a pixel, and the widest raster that is drawn
_SHIFT = 4  # bits after the point that OpenCV's drawing takes

Points = NDArray[np.float64]
Radians = NDArray[np.float64]
Size = tuple[int, int]


def mask(shapes: Iterable[Shape], size: Size) -> NDArray[np.bool_]:
    """Everything drawn as one mask, in the order in which it was drawn; what is erased is taken away.

    Args:
        shapes: The shapes.
        size: Height and width of the mask; any, since shapes are shares of the photo.

    Returns:
        Bool (H, W); a pixel is in where half of it is covered.
    """
    return cover(shapes, size) >= 0.5


def cover(shapes: Iterable[Shape], size: Size) -> NDArray[np.float32]:
    """How much of each pixel is covered, float32 (H, W), 0 to 1; arguments as for ``mask``."""
    out = np.zeros(size, np.float32)
    for shape in shapes:
        paint(out, to_pixels(shape.points, size), shape.kind, radius_px=shape.radius * size[1], erase=shape.erase)
    return out


def to_pixels(points: Iterable[tuple[float, float]], size: Size) -> Points:
    """Points of a shape as x, y with 0, 0 in the outer corner of the first pixel and W, H in that of the last."""
    return np.asarray(list(points), np.float64).reshape(-1, 2) * (size[1], size[0])


def paint(out: NDArray[np.float32], points: Points, kind: str, *, radius_px: float = 0.0, erase: bool = False) -> None:
    """Draws one shape into a cover map.

    Args:
        out: (H, W) float32, changed in place.
        points: As ``to_pixels`` gives them.
        kind: ``outline``, ``line``, ``polygon`` or ``brush``.
        radius_px: Of a brush.
        erase: Take away instead.
    """
    line = kind in ("line", "brush")
    reach = (LINE_PX / 2 if kind == "line" else radius_px) if line else 0.0
    course = smooth_outline(points) if kind == "outline" else points
    low = np.maximum(np.floor(course.min(axis=0) - reach - 1), 0).astype(int)
    high = np.minimum(np.ceil(course.max(axis=0) + reach + 1), out.shape[::-1]).astype(int)
    if (high <= low).any():
        return
    width, height = (int(value) for value in high - low)
    fine = max(1, min(_FINEST, _WIDEST // max(width, height)))
    raster = np.zeros((height * fine, width * fine), np.uint8)
    at = np.round(((course - low) * fine - 0.5) * 2**_SHIFT).astype(np.int32)
    if line:
        _stroke(raster, at, 2 * reach * fine)
    else:
        cv2.fillPoly(raster, [at], 255, shift=_SHIFT)
    seen = cv2.resize(raster, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    window = out[low[1] : high[1], low[0] : high[0]]
    window[...] = np.minimum(window, 1 - seen) if erase else np.maximum(window, seen)


def _stroke(raster: NDArray[np.uint8], at: NDArray[np.int32], width: float) -> None:
    """A line with round ends; one point is a dot."""
    if len(at) > 1:
        cv2.polylines(raster, [at], False, 255, max(1, round(width)), shift=_SHIFT)
    for x, y in at[[0, -1]].tolist():
        cv2.circle(raster, (x, y), max(1, round(width / 2 * 2**_SHIFT)), 255, cv2.FILLED, shift=_SHIFT)


def smooth_outline(points: Points, step_px: float = _CURVE_STEP_PX) -> Points:
    """The closed outline through points: arcs that meet without a bend, but for corners.

    At each point the course follows the circle through it and its two neighbours, so that few points of a round
    thing give its circle and not a polygon inside it. Where the outline turns by more than ``CORNER_RAD`` there is a
    corner, and between two corners a straight line.

    Args:
        points: (N, 2), N >= 3, in order.
        step_px: About how far apart the points of the course are.

    Returns:
        (M, 2). Each span between two points is a cubic whose handles are those of the arc with its end directions:
        as long as its chord over 3 cos²(turn / 4).

    Source: own construction; the handle of an arc is common practice (no published source).
    """
    points = points[np.any(points != np.roll(points, 1, axis=0), axis=1)]
    if len(points) < 3:
        return points
    ahead = np.roll(points, -1, axis=0) - points
    length = np.hypot(*ahead.T)
    course = np.arctan2(ahead[:, 1], ahead[:, 0])
    turn = _wrapped(course - np.roll(course, 1))
    corner = np.abs(turn) > CORNER_RAD
    before = np.roll(length, 1)
    # The circle through three points leaves each chord in proportion to its length; a side much longer than its
    # neighbour is no arc but an edge that ends in a fillet, and keeps its own direction.
    lean = turn * length / (length + before)
    edge = np.clip((_UNEVEN[1] - np.maximum(length, before) / np.minimum(length, before)) / np.ptp(_UNEVEN), 0, 1)
    tangent = course - np.where(length >= before, lean * edge, turn - (turn - lean) * edge)
    corner_after = np.roll(corner, -1)
    out, back = _wrapped(tangent - course), _wrapped(np.roll(tangent, -1) - course)
    # At a corner the arc is that which the other end asks for.
    mirrored = np.where(corner & ~corner_after, -back, np.where(corner, 0.0, out))
    back = np.where(corner_after & ~corner, -out, np.where(corner_after, 0.0, back))
    return _cubics(points, ahead, course + mirrored, course + back, step_px)


def _cubics(points: Points, ahead: Points, out: Radians, back: Radians, step_px: float) -> Points:
    """The cubics from each point to the next with the directions at their ends, sampled."""
    chord = np.hypot(*ahead.T)
    handle = (chord / (3 * np.cos(_wrapped(back - out) / 4) ** 2))[:, None]
    first = points + handle * np.column_stack([np.cos(out), np.sin(out)])
    stop = points + ahead
    second = stop - handle * np.column_stack([np.cos(back), np.sin(back)])
    counts = np.maximum(1, np.ceil(chord / step_px)).astype(int)
    span = np.repeat(np.arange(len(points)), counts)
    t = ((np.arange(len(span)) - np.repeat(np.cumsum(counts) - counts, counts)) / counts[span])[:, None]
    ends = (1 - t) ** 3 * points[span] + t**3 * stop[span]
    return np.asarray(ends + 3 * (1 - t) ** 2 * t * first[span] + 3 * (1 - t) * t**2 * second[span], np.float64)


def _wrapped(angle: Radians) -> Radians:
    return np.asarray((angle + np.pi) % (2 * np.pi) - np.pi, np.float64)


__all__ = ["CORNER_RAD", "LINE_PX", "cover", "mask", "paint", "smooth_outline", "to_pixels"]
