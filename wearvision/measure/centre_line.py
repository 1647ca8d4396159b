"""Bow of a long part: how far its centre line leaves the straight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.regions import (
    Points,
    Region,
    as_bool,
    border_points,
    components,
    edge_columns,
    main_axis,
    strip,
)
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

# The wear standard's own numbers: widths under 8 px and limits under 3 px are not resolvable.
LEAST_WIDTH_PX = 8.0
LEAST_LIMIT_PX = 3.0
# An end piece that shows no step is taken to be this share of the length; a tenth to a fifth is common (no
# published source).
END_SHARE = 0.12
# A running median this long passes over ribs and lugs on one side that take under half of it. What it departs from by
# this share of the width is one of them.
MEDIAN_SHARE = 0.16
RIB_SHARE = 0.03
MEAN_SHARE = 0.04


@dataclass(frozen=True, slots=True)
class CentreLine:
    """Centre line of a long part in its own frame.

    Attributes:
        along: Stations along the part from one end to the other, pixels, (N,).
        offset: Centre's distance from the straight line between both end pieces' centres, pixels, (N,); 0 outside them.
        width: Width at each station, pixels, (N,).
        length: From one end piece's centre to the other's, pixels.
        points: The centre line in the picture, (N, 2) row, column.
        noise_px: Spread of single stations about the smooth line.
    """

    along: Points
    offset: Points
    width: Points
    length: float
    points: Points
    noise_px: float


def bow_ratio(part_mask: Region, *, finest: float = 0.01, plain: float = 0.03) -> Outcome:
    """Largest offset of the centre line from straight between the end pieces, over that length; larger is worse.

    Args:
        part_mask: The part from the side, (H, W) bool or probabilities (half level). The largest piece counts.
        finest: The smallest ratio that matters (the serviceable limit); under 3 pixels it cannot be resolved.
        plain: Ratio from which bow counts however coarse the picture is.
    Returns:
        The ratio with the centre line as trace. ``not_in_view`` where nothing is there or an end touches the
        frame, ``not_resolvable`` where the part is under 8 px wide, less than twice as long as wide, or
        ``finest`` of its length is under 3 px and the bow is not plain.
    Raises:
        ValueError: the mask is not (H, W) bool or floating, or the limits are not 0 < finest <= plain.
    Limits: bow along the line of sight is not seen; a second side a quarter turn on shows it. Tilt foreshortens the
        length, not the offset: 20 degrees raise the ratio by 6 %.
    Source: own definition, see the wear standard.
    """
    if not 0 < finest <= plain:
        raise ValueError(f"limits must be 0 < finest <= plain, these are {finest} and {plain}")
    pieces = components(part_mask)
    if not pieces:
        return Unmeasured(Reason.NOT_IN_VIEW, "The part is not in view.")
    weight = np.where(pieces[0], part_mask, 0).astype(np.float32)
    if touches_frame(pieces[0]):
        return Unmeasured(Reason.NOT_IN_VIEW, "The part runs out of the picture: take it whole.")
    line = centre_line(weight)
    if line is None or float(np.median(line.width)) < LEAST_WIDTH_PX:
        return Unmeasured(Reason.NOT_RESOLVABLE, "The part is too small in the picture, or not seen along its length.")
    peak = int(np.argmax(np.abs(line.offset)))
    value = float(np.abs(line.offset[peak])) / line.length
    if finest * line.length < LEAST_LIMIT_PX and value < plain:
        return Unmeasured(Reason.NOT_RESOLVABLE, "A bow that matters would be under 3 pixels: come closer.")
    # A third of a pixel for the outline, the stations' own noise; 15 % for tilt up to 30 degrees and for where the
    # end pieces' centres are.
    slack = (0.35 + line.noise_px) / line.length + 0.15 * value
    return Measured(value, max(0.0, value - slack), value + slack, trace=line.points)


def touches_frame(region: NDArray[np.bool_]) -> bool:
    """Whether the region reaches the outermost pixels of the picture."""
    return bool(region[[0, -1]].any() or region[:, [0, -1]].any())


def centre_line(weight: Region) -> CentreLine | None:
    """Centre line of one long piece; None where it is less than twice as long as wide.

    Args:
        weight: One piece, (H, W) bool or probabilities, not empty.
    """
    centre, axis = main_axis(weight)
    points = border_points(as_bool(weight)) - centre
    along, across = points @ axis, points @ np.array([-axis[1], axis[0]])
    back, ahead = int(np.ceil(-along.min())) + 2, int(np.ceil(along.max())) + 2
    half = int(np.ceil(np.abs(across).max())) + 2
    if back + ahead < 2 * (across.max() - across.min()):
        return None
    profile = strip(weight, centre, axis, back=back, ahead=ahead, half=half)
    upper, lower = edge_columns(profile)
    seen = np.flatnonzero(np.isfinite(upper))
    # The outermost stations cut through rounded or slanted end faces and say nothing of the centre.
    head, tail = (_slant(v[seen]) for v in (lower - upper, (lower - upper)[::-1]))
    if len(seen) - head - tail < 16:
        return None
    kept = seen[head : len(seen) - tail]
    at = kept.astype(np.float64)
    middle, width = 0.5 * (upper + lower)[kept], (lower - upper)[kept]
    course = _course(middle, width)
    offset, length = _from_straight(at, course, width, (0.5 * head, 0.5 * tail))
    picture = centre + (at - back)[:, None] * axis + (course - half)[:, None] * np.array([axis[1], -axis[0]])
    noise = float(np.median(np.abs(middle - course))) / np.sqrt(max(1.0, MEAN_SHARE * len(at)))
    return CentreLine(at - back, offset, width, length, picture, noise)


def _course(middle: Points, width: Points) -> Points:
    """The centres without ribs, lugs and notches, which a running median tells, and without stair steps."""
    window = _odd(MEDIAN_SHARE * len(middle))
    padded = np.pad(middle, window // 2, mode="reflect", reflect_type="odd")
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, window), axis=1)
    # The median flattens bends a little, so it only says what to leave out.
    kept = np.abs(middle - medians) <= 1.0 + RIB_SHARE * float(np.median(width))
    at = np.arange(len(middle))
    clean = np.interp(at, at[kept], middle[kept]) if kept.any() else medians
    window = _odd(MEAN_SHARE * len(middle))
    padded = np.pad(clean, window // 2, mode="reflect", reflect_type="odd")
    return np.convolve(padded, np.ones(window) / window, "valid")


def _odd(length: float) -> int:
    return max(3, 2 * round(length / 2) + 1)


def _slant(width: Points) -> int:
    """Stations at an end that are narrower than its end piece: its face, slanted by bow or tilt, or rounded edges."""
    count = len(width)
    own = np.median(width[round(0.03 * count) : round(0.10 * count) + 1])
    sound = np.flatnonzero(width[: count // 5] >= 0.95 * own)
    return max(1, round(0.01 * count), int(sound[0]) + 1 if sound.size else 0)


def _from_straight(at: Points, course: Points, width: Points, faces: tuple[float, float]) -> tuple[Points, float]:
    """Offset from the straight line through the centres of both end pieces, and the length between these.

    ``faces`` says how far beyond the first and last station the part's ends lie.
    """
    places, centres = [], []
    for sign, face in zip((1, -1), faces, strict=True):
        inner = _end_piece(width[::sign])
        near = slice(0, inner) if sign > 0 else slice(-inner, None)
        place = (at[0] if sign > 0 else at[-1]) + sign * 0.5 * (inner - face)
        # A line through the whole end piece: its middle is then known better than from one station.
        _, start = np.polyfit(at[near] - place, course[near], 1)
        places.append(place)
        centres.append(start)
    share = (at - places[0]) / (places[1] - places[0])
    offset = course - (centres[0] + share * (centres[1] - centres[0]))
    offset[(share < 0) | (share > 1)] = 0.0
    return offset, float(places[1] - places[0])


def _end_piece(width: Points) -> int:
    """Stations of an end piece: to the first step in width, where there is one, else a usual share of the length."""
    count = len(width)
    first, last = round(0.05 * count), round(0.22 * count)
    own = float(np.median(width[: first + 1]))
    steps = np.flatnonzero(np.abs(width[first:last] - own) > max(2.0, 0.05 * own))
    return max(4, first + int(steps[0]) if steps.size else round(END_SHARE * count))
