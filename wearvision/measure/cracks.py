"""Length of a crack, free of pixel bias, and its ratio to a length of the part.

A count of skeleton steps overstates a line by up to 8 % depending on its direction. Here the
skeleton's longest way is smoothed to its course, and its ends are carried to where the mask ends,
less the half width that drawing or blurring a line adds beyond its true end.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.paths import arc_length, end_points, longest_path, resample, smooth
from wearvision.measure.regions import Points, Region, as_bool, bounds, depth_inside
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.measure.thinning import thin

# A line is at least this many times as long as wide (outline length over width); blobs are not.
LEAST_ELONGATION = 2.5
# Smoothing of the course: wide enough to take out the stair steps, short enough to keep a bend of 15 px radius.
COURSE_SIGMA_PX = 2.0
# Lengths below 8 px, and limits below 3 px, cannot be resolved: the wear standard's own numbers.
LEAST_LENGTH_PX = 8.0
LEAST_LIMIT_PX = 3.0


@dataclass(frozen=True, slots=True)
class CrackLength:
    """Arc length of the longest visible crack, branches not counted.

    Attributes:
        length_px: Best estimate, pixels; 0 where nothing line-like is marked.
        low_px: Lower end: the ends as far in, and the bridged gaps as unbroken, as they may be.
        high_px: Upper end.
        trace: Its course, (N, 2) row, column; (0, 2) where there is none.
        width_px: Mean width of the marked line.
        bridged_px: Length of small gaps that were bridged.
    """

    length_px: float
    low_px: float
    high_px: float
    trace: Points = field(default_factory=lambda: np.zeros((0, 2)))
    width_px: float = 0.0
    bridged_px: float = 0.0


NO_CRACK = CrackLength(0.0, 0.0, 0.0)


def crack_length(mask: Region, *, gap_px: float = 5.0) -> CrackLength:
    """Arc length of the longest line in a crack mask, in pixels; 0 where there is none.

    Args:
        mask: Crack region, (H, W) bool or probabilities (half level). Several cracks may be marked.
        gap_px: Gaps up to this long, or three line widths if that is longer, are bridged where both sides point at
            each other; wide and longer gaps part two cracks.
    Returns:
        Length, interval and course of the longest crack. Pieces that are no lines (less than 2.5 times as
        long as wide) count as nothing. A closed ring counts half its round.
    Raises:
        ValueError: the mask is not (H, W), or neither bool nor floating.
    Limits: straight within 3 %, curved within 5 %, for widths of 1 to 9 px and lengths from 40 px on (tests).
    Source: own definition, see the wear standard.
    Example:
        >>> mask = np.zeros((20, 60), bool); mask[10, 5:56] = True
        >>> round(crack_length(mask).length_px)
        50
    """
    marked = as_bool(mask)
    window = bounds(marked, margin=2)
    if window is None:
        return NO_CRACK
    offset = np.array([window[0].start, window[1].start], np.float64)
    marked = np.ascontiguousarray(marked[window])
    depth = depth_inside(marked)
    best = NO_CRACK
    pieces = _pieces(marked, depth, gap_px)
    area = np.count_nonzero(marked) / sum(len(piece) for piece, _ in pieces)
    for piece, links in pieces:
        # A piece of N skeleton pixels is at most about 1.42 N long.
        if 1.5 * len(piece) + 2 * float(depth.max()) > best.length_px:
            found = _measure_piece(piece, links, marked, depth, area)
            best = max(best, found, key=lambda crack: crack.length_px)
    if best.length_px == 0.0:
        return NO_CRACK
    return CrackLength(
        best.length_px, best.low_px, best.high_px, best.trace + offset, best.width_px, best.bridged_px
    )


def _pieces(
    marked: NDArray[np.bool_], depth: NDArray[np.float32], gap_px: float
) -> list[tuple[NDArray[np.intp], list[tuple[int, int]]]]:
    """Skeleton pixels of each crack, pieces across small gaps joined, and the joints as index pairs; largest first."""
    skeleton = thin(marked)
    count, found = cv2.connectedComponents(skeleton.astype(np.uint8), connectivity=8)
    labels = np.asarray(found, np.int32)
    joints = _joints(skeleton, labels, depth, gap_px) if count > 2 else []
    owner = list(range(count))

    def root(label: int) -> int:
        while owner[label] != label:
            label = owner[label]
        return label

    kept = []
    for a, b in joints:
        label_a, label_b = root(int(labels[a])), root(int(labels[b]))
        if label_a != label_b:
            owner[label_a] = label_b
            kept.append((a, b))
    pixels = np.argwhere(skeleton)
    roots = np.array([root(label) for label in range(count)])[labels[skeleton]]
    groups = []
    for label in np.unique(roots):
        piece = pixels[roots == label]
        index = {(int(row), int(column)): k for k, (row, column) in enumerate(piece)}
        groups.append((piece, [(index[a], index[b]) for a, b in kept if a in index]))
    return sorted(groups, key=lambda group: -len(group[0]))


def _joints(
    skeleton: NDArray[np.bool_], labels: NDArray[np.int32], depth: NDArray[np.float32], gap_px: float
) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Pairs of line ends of different pieces that face each other across a small gap, the nearest first."""
    ends = end_points(skeleton)[:400]  # a mask with more ends is noise; its joints would cost seconds
    half = depth[ends[:, 0], ends[:, 1]] - 0.5
    apart = ends[:, None] - ends[None]
    distance = np.hypot(apart[..., 0], apart[..., 1])
    # Thinning draws the ends back by about the half width on each side of the gap.
    clear = distance - half[:, None] - half[None]
    reach = np.maximum(gap_px, 6 * np.minimum(half[:, None], half[None]))
    label = labels[ends[:, 0], ends[:, 1]]
    first, second = np.nonzero(np.triu((clear <= reach) & (label[:, None] != label[None]), 1))
    outward = np.array([_outward(end, labels) for end in ends])
    found = []
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        along = (ends[b] - ends[a]) / max(distance[a, b], 1e-6)
        facing = float(outward[a] @ along) > 0.5 and float(outward[b] @ -along) > 0.5
        if facing or distance[a, b] < 3:
            found.append((float(distance[a, b]), tuple(ends[a].tolist()), tuple(ends[b].tolist())))
    return [(a, b) for _, a, b in sorted(found)]


def _outward(end: NDArray[np.intp], labels: NDArray[np.int32], reach: int = 10) -> Points:
    """Unit direction in which a line points at its end; (0, 0) for a lone pixel, which joins nothing but neighbours."""
    row, column = (int(v) for v in end)
    top, left = max(0, row - reach), max(0, column - reach)
    near = np.argwhere(labels[top : row + reach + 1, left : column + reach + 1] == labels[row, column])
    back = np.array([row - top, column - left]) - near.mean(axis=0)
    size = float(np.hypot(*back))
    return back / size if size > 0.5 else np.zeros(2)


def _measure_piece(
    piece: NDArray[np.intp],
    links: list[tuple[int, int]],
    marked: NDArray[np.bool_],
    depth: NDArray[np.float32],
    area: float,
) -> CrackLength:
    """One piece; ``area`` is the marked pixels for each pixel of skeleton."""
    if len(piece) < 2:
        return NO_CRACK
    way = longest_path(piece, links)
    pixels = piece[way]
    steps = np.hypot(*np.diff(pixels, axis=0).T) if len(pixels) > 1 else np.zeros(0)
    bridged = float(steps[steps > 1.5].sum())
    course = resample(pixels.astype(np.float64))
    width = _line_width(float(np.median(depth[pixels[:, 0], pixels[:, 1]])), area * len(pixels) / arc_length(course))
    course = _course(course, width)
    trace = _carry_to_ends(course, marked, width)
    length = arc_length(trace)
    if (length + width) / width < LEAST_ELONGATION:
        return NO_CRACK
    slack = 0.5 * width + 0.5 + 0.02 * length
    return CrackLength(length, max(0.0, length - slack - bridged), length + slack, trace, width, bridged)


def _line_width(depth: float, area_width: float) -> float:
    """Width from the depth at the centre, which even widths halve wrongly by up to a pixel, refined by the area."""
    return max(1.0, min(max(area_width, 2 * depth - 1), 2 * depth))


def _course(course: Points, width: float) -> Points:
    """The way smoothed, without its ends: there a skeleton turns into a corner of the mask."""
    cut = round(0.5 * width)
    if len(course) >= 2 * cut + 6:
        course = course[cut : len(course) - cut]
    return smooth(course, COURSE_SIGMA_PX)


def _carry_to_ends(course: Points, marked: NDArray[np.bool_], width: float) -> Points:
    """The course lengthened along its end tangents to half a width before the mask's own end."""
    if len(course) < 3:
        return course
    inner = np.argwhere(marked).astype(np.float64)
    reach = min(len(course), max(8, round(1.5 * width)))
    ends = []
    for segment in (course[:reach][::-1], course[-reach:]):
        anchor = segment.mean(axis=0)
        tangent = np.linalg.svd(segment - anchor)[2][0]
        tangent = tangent if tangent @ (segment[-1] - segment[0]) > 0 else -tangent
        base = float((segment[-1] - anchor) @ tangent)
        relative = inner - anchor
        along = relative @ tangent - base
        aside = np.abs(relative @ np.array([-tangent[1], tangent[0]]))
        # Beyond the trimmed half width thinning has taken at most a width more.
        near = along[(aside <= 0.5 * width + 0.75) & (along > -1) & (along <= 2 * width + 3)]
        # The outermost pixel centre lies inside the true end by less the wider (and so the fuller) the end is;
        # the numbers are fitted on drawn lines of 1 to 9 px.
        beyond = float(near.max()) + 0.25 + 0.5 / width - 0.5 * width if near.size else 0.0
        ends.append((anchor + (base + beyond) * tangent, beyond))
    head, tail = ends
    # A negative reach means that the course already runs past the true end: drop what lies beyond.
    start = max(0, round(-head[1])) if head[1] < 0 else 0
    stop = len(course) - (max(0, round(-tail[1])) if tail[1] < 0 else 0)
    body = course[start:stop] if stop - start >= 2 else course[1:-1]
    return np.concatenate([head[0][None], body, tail[0][None]])


def crack_ratio(mask: Region, reference_length_px: float | None, *, floor: float, plain: float) -> Outcome:
    """Length of the longest crack over a length of the part; larger is worse.

    Args:
        mask: Crack region, (H, W) bool or probabilities.
        reference_length_px: The part's length (window or insulator diameter, wall thickness) in pixels, or None
            where it could not be found.
        floor: Ratio below which the answer is *none seen*.
        plain: Ratio from which a crack counts however coarse the picture is.
    Returns:
        The ratio with the crack's course as trace; 0 where none is marked, with an upper end of what a
        picture of this size can hide. ``not_in_view`` without a reference length; ``not_resolvable`` where
        ``floor`` is under 3 pixels, or the crack under 8 and over ``floor``, and the wear is not plain.
    """
    if reference_length_px is None or not reference_length_px > 0:
        return Unmeasured(Reason.NOT_IN_VIEW, "The length that the crack is compared with is not in view.")
    crack = crack_length(mask)
    ratio = crack.length_px / reference_length_px
    if ratio < plain:
        if floor * reference_length_px < LEAST_LIMIT_PX:
            return Unmeasured(Reason.NOT_RESOLVABLE, "A crack that matters would be under 3 pixels: come closer.")
        if ratio >= floor and crack.length_px < LEAST_LENGTH_PX:
            return Unmeasured(Reason.NOT_RESOLVABLE, "A dark line is seen that is too short to measure: come closer.")
    if crack.length_px == 0.0:
        return Measured(0.0, 0.0, LEAST_LIMIT_PX / reference_length_px)
    return Measured(
        ratio, crack.low_px / reference_length_px, crack.high_px / reference_length_px, trace=crack.trace
    )


def ridge_response(gray: NDArray[np.floating], sigmas: tuple[float, ...] = (1.0, 1.5, 2.0, 3.0)) -> NDArray[np.float32]:
    """Strength of a dark line through each pixel, in units of the picture's own contrast; 0 where there is none.

    Args:
        gray: (H, W) floating luminance.
        sigmas: Scales in pixels; a bar of width w answers most at w / 2, a Gaussian line of spread s at sqrt(2) s.
    Returns:
        (H, W) float32: over the scales, the largest sigma² times the greater eigenvalue of the Hessian, where that
        outweighs the other one (a line, no spot). A bar of contrast 1 answers 0.484, a Gaussian line 0.385.
    Raises:
        ValueError: not (H, W) floating, or a scale that is not positive.
    Source: Lindeberg, "Edge detection and ridge detection with automatic scale selection", 1998.
    """
    gray = np.asarray(gray)
    if gray.ndim != 2 or not np.issubdtype(gray.dtype, np.floating):
        raise ValueError(f"luminance is floating (H, W), this is {gray.dtype} {gray.shape}")
    if not sigmas or min(sigmas) <= 0:
        raise ValueError(f"scales are positive, these are {sigmas}")
    best = np.zeros(gray.shape, np.float32)
    for sigma in sigmas:
        rows, mixed, columns = _hessian(gray.astype(np.float32), sigma)
        middle, spread = 0.5 * (rows + columns), np.sqrt(0.25 * (rows - columns) ** 2 + mixed**2)
        # A dark line bends up across itself and little along itself.
        line = (middle + spread - np.maximum(spread - middle, 0)) * sigma**2
        np.maximum(best, np.where(middle > 0, line, 0), out=best)
    return best


def _hessian(gray: NDArray[np.float32], sigma: float) -> tuple[NDArray[np.float32], ...]:
    """Second derivatives (row-row, row-column, column-column) of the picture smoothed by ``sigma``."""
    reach = int(5 * sigma + 0.5) + 1
    at = np.arange(-reach, reach + 1, dtype=np.float64)
    smooth_kernel = np.exp(-0.5 * (at / sigma) ** 2)
    smooth_kernel /= smooth_kernel.sum()
    slope = -at / sigma**2 * smooth_kernel
    slope /= -(slope * at).sum()
    bend = (at**2 / sigma**4 - 1 / sigma**2) * smooth_kernel
    bend -= bend.mean()
    bend *= 2 / (bend * at**2).sum()

    def filtered(across_columns: NDArray[np.float64], across_rows: NDArray[np.float64]) -> NDArray[np.float32]:
        seen = cv2.sepFilter2D(gray, cv2.CV_32F, across_columns, across_rows, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(seen, np.float32)

    return filtered(smooth_kernel, bend), filtered(slope, slope), filtered(bend, smooth_kernel)
