"""Wear of a rod's tip, from the width of the metal along the rod's own axis."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.paths import longest_path, resample, smooth
from wearvision.measure.regions import (
    Points,
    Region,
    as_bool,
    as_weight,
    bounds,
    components,
    depth_inside,
    edge_columns,
    strip,
)
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.measure.thinning import thin

LEAST_DIAMETER_PX = 8.0  # the wear standard's least width
# A second piece of metal counts as a rod from this share of the largest on.
LEAST_SHARE = 0.2
# Deposit that covers this share of the tip's surroundings hides its form.
HIDDEN_SHARE = 0.4
# Stretches behind the end, in diameters, that may tell the axis.
AXIS_STRETCHES = ((0.25, 1.35), (0.6, 2.0), (1.2, 2.7))


@dataclass(frozen=True, slots=True)
class Tip:
    """One rod near its tip.

    Attributes:
        end: Row, column of the metal's outermost point on the axis.
        axis: Unit vector (row, column) of the rod near the tip, pointing outwards.
        diameter_px: Rod diameter, from the widths further back.
        loss: 1 - mean width over the last half diameter / diameter; not clipped.
        rod: The rod's own region, bool.
    """

    end: Points
    axis: Points
    diameter_px: float
    loss: float
    rod: NDArray[np.bool_]


def tip_loss(
    tips: list[Tip], *, deposit: Region | None = None, new_loss: float = 0.0, plain: float = 0.35
) -> Outcome:
    """Share of width that the worst rod has lost over its last half diameter; larger is worse.

    Args:
        tips: The rods' tips, from :func:`find_tips`; none where no rod is seen.
        deposit: Carbon, (H, W), where known: over the tip's outline it hides the form.
        new_loss: The same ratio of the tip when new; 0 for one cut square, about 0.21 for a half round.
        plain: Loss from which wear counts however coarse the picture is.
    Returns:
        The ratio, at least 0, with the last half diameter's axis as trace. ``not_in_view`` where no rod is seen or
        its tip runs out of the picture, ``clean_first`` where deposit hides the tip, ``not_resolvable`` where the rod
        is under 8 px thick and the wear is not plain.
    Raises:
        ValueError: ``new_loss`` is not in [0, 1).
    Limits: a camera tilted along the rod's axis foreshortens the last half diameter: at 30 degrees up to 13 %.
    Source: own definition, see the wear standard.
    """
    if not 0 <= new_loss < 1:
        raise ValueError(f"new_loss lies in [0, 1), this is {new_loss}")
    if not tips:
        return Unmeasured(Reason.NOT_IN_VIEW, "No rod is seen.")
    if any(_runs_out(tip) for tip in tips):
        return Unmeasured(Reason.NOT_IN_VIEW, "A tip runs out of the picture: take it whole.")
    worst = max(tips, key=lambda tip: tip.loss)
    value = float(np.clip(1 - (1 - worst.loss) / (1 - new_loss), 0.0, 1.0))
    if value < plain:
        if min(tip.diameter_px for tip in tips) < LEAST_DIAMETER_PX:
            return Unmeasured(Reason.NOT_RESOLVABLE, "A rod is under 8 pixels thick in the picture: come closer.")
        if deposit is not None and any(_hidden(tip, deposit) for tip in tips):
            return Unmeasured(Reason.CLEAN_FIRST, "Carbon hides the form of a tip: clean it and look again.")
    # Half a pixel in the end's place and a third in each edge, over half a diameter; 3 % for the diameter.
    slack = 0.03 + 1.2 / worst.diameter_px
    trace = np.stack([worst.end - 0.5 * worst.diameter_px * worst.axis, worst.end])
    return Measured(value, max(0.0, value - slack), min(1.0, value + slack), trace=trace)


def find_tips(rod: Region, ceramic: Region) -> list[Tip]:
    """The tip of each rod, at most two, the larger rod first.

    Args:
        rod: Bare metal of one or two rods, (H, W) bool or probabilities (half level).
        ceramic: The insulator; says which end of a rod is the tip.
    Raises:
        ValueError: shapes differ, or a region is not (H, W) bool or floating.
    """
    insulator = as_bool(ceramic)
    weight = as_weight(rod)
    if insulator.shape != weight.shape:
        raise ValueError(f"rod {weight.shape} and ceramic {insulator.shape} are of different shapes")
    pieces = components(weight, least_px=12)
    if not pieces:
        return []
    largest = int(pieces[0].sum())
    whence = _border(insulator)
    return [_tip(piece, weight, whence) for piece in pieces[:2] if piece.sum() >= LEAST_SHARE * largest]


def _border(insulator: NDArray[np.bool_]) -> Points | None:
    """Row, column of the pixels along the insulator's outlines, those of its holes too; None where it has none."""
    outlines, _ = cv2.findContours(insulator.view(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    return np.concatenate(outlines)[:, 0, ::-1].astype(np.float64) if outlines else None


def _tip(whole: NDArray[np.bool_], weight: NDArray[np.float32], insulator: Points | None) -> Tip:
    window = bounds(whole, margin=2) or (slice(0, 1), slice(0, 1))
    offset = np.array([window[0].start, window[1].start], np.float64)
    piece = np.ascontiguousarray(whole[window])
    near = cv2.dilate(piece.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
    own = np.where(near, weight[window], 0).astype(np.float32)
    course, width = _course(piece, None if insulator is None else insulator - offset)
    widths = _widths_along(own, course, width)
    diameter = _diameter(widths, width)
    axis, anchor = _local_axis(course, diameter)
    back, ahead, half = (int(np.ceil(k * diameter)) + 2 for k in (2.8, 3.0, 0.9))
    profile = strip(own, anchor, axis, back=back, ahead=ahead, half=half)
    for _ in range(2):  # the first turn still sees the edges at a slant
        axis, anchor = _sharpened(profile, axis, anchor, diameter, back, half)
        profile = strip(own, anchor, axis, back=back, ahead=ahead, half=half)
    end = _end(profile, diameter)
    loss = 1 - _mean_width(profile.sum(axis=0), end, 0.5 * diameter) / diameter
    return Tip(offset + anchor + (end - back) * axis, axis, diameter, loss, whole)


def _course(piece: NDArray[np.bool_], insulator: Points | None) -> tuple[Points, float]:
    """Centre line from the tip inwards, one point a pixel, and the rod's rough width."""
    pixels = np.argwhere(thin(piece))
    line = pixels[longest_path(pixels)]
    depth = depth_inside(piece)
    width = max(1.0, 2 * float(np.median(depth[line[:, 0], line[:, 1]])) - 0.5)
    if insulator is not None:
        near, far = (float(((insulator - line[end]) ** 2).sum(axis=1).min()) for end in (0, -1))
        line = line[::-1] if near < far else line
    course = resample(line.astype(np.float64)) if len(line) > 1 else np.repeat(line.astype(np.float64), 2, axis=0)
    return smooth(course, max(2.0, 0.35 * width)), width


def _widths_along(own: NDArray[np.float32], course: Points, width: float) -> Points:
    """Metal across the centre line at each of its points."""
    ahead = np.gradient(course, axis=0)
    ahead /= np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-6)[:, None]
    across = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    reach = np.arange(-int(0.9 * width) - 2, int(0.9 * width) + 3, dtype=np.float64)
    at = course[None] + reach[:, None, None] * across[None]
    seen = cv2.remap(own, at[..., 1].astype(np.float32), at[..., 0].astype(np.float32), cv2.INTER_LINEAR)
    return np.asarray(seen.sum(axis=0), np.float64)


def _diameter(widths: Points, width: float) -> float:
    """Rod diameter from widths beyond what a worn tip may thin; the high side of the rest where the rod is short."""
    sound = widths[round(3.5 * width) : len(widths) - round(0.5 * width)]
    if len(sound) >= max(3.0, width):
        return float(np.median(sound))
    rest = widths[round(0.5 * width) : max(round(0.5 * width) + 1, len(widths) - round(0.5 * width))]
    return float(np.percentile(rest if rest.size else widths, 80))


def _local_axis(course: Points, diameter: float) -> tuple[Points, Points]:
    """Outward direction of the rod near its tip and a point on that axis about a diameter from its end."""
    start, stop = round(0.6 * diameter), round(2.2 * diameter)
    segment = course[start : max(stop, start + 3)]
    segment = segment if len(segment) >= 3 else course
    anchor = segment.mean(axis=0)
    axis = np.linalg.svd(segment - anchor)[2][0]
    axis = axis if axis @ (segment[0] - segment[-1]) > 0 else -axis
    return axis, anchor + axis * float((segment[0] - anchor) @ axis)


def _sharpened(
    profile: NDArray[np.float32], axis: Points, anchor: Points, diameter: float, back: int, half: int
) -> tuple[Points, Points]:
    """Axis and anchor moved midway between the rod's two edges, where these are straightest and most nearly parallel.

    A bend behind the tip spoils the stretch far from the end, a tapered or slanted end the stretch near it.
    """
    upper, lower = edge_columns(profile)
    end = _end(profile, diameter)
    best: tuple[float, float, float] | None = None
    for near, far in AXIS_STRETCHES:
        at = np.arange(max(0, round(end - far * diameter)), max(0, round(end - near * diameter)) + 1)
        at = at[(at < upper.size) & np.isfinite(upper[np.minimum(at, upper.size - 1)])]
        if at.size < 4:
            continue
        design = np.stack([np.ones(at.size), at - at.mean()], axis=1)
        edges = np.stack([upper[at], lower[at]], axis=1)
        fit, *_ = np.linalg.lstsq(design, edges, rcond=None)
        bent = float(np.sqrt(((edges - design @ fit) ** 2).mean()))
        score = bent + 0.5 * diameter * abs(float(fit[1, 0] - fit[1, 1]))
        slope = float(fit[1].mean())
        if best is None or score < best[0]:
            best = (score, slope, float(fit[0].mean()) + slope * (back - float(at.mean())))
    if best is None:
        return axis, anchor
    across = np.array([axis[1], -axis[0]])
    turned = axis + best[1] * across
    return turned / np.hypot(*turned), anchor + (best[2] - half) * across


def _end(profile: NDArray[np.float32], diameter: float) -> float:
    """Column at which the metal ends, by half level of its fullest row."""
    # Averaging across a quarter of the rod keeps single corner pixels from counting as the end: half a pixel
    # there is worth a twentieth of the ratio. A needle's point is set back by it, long after it is plainly worn.
    reach = max(1, round(0.125 * diameter))
    level = cv2.blur(profile, (1, 2 * reach + 1)).max(axis=0)
    solid = np.flatnonzero(level >= 0.5)
    if solid.size == 0:
        return 0.0
    last = int(solid[-1])
    if last + 1 >= level.size:
        return float(last)
    return last + float((level[last] - 0.5) / max(level[last] - level[last + 1], 1e-6))


def _mean_width(widths: NDArray[np.float32], end: float, length: float) -> float:
    """Metal over the last ``length`` before ``end``, for each pixel of length; cut columns count in part."""
    edges = np.concatenate([[0.0], np.cumsum(widths, dtype=np.float64)])
    start = float(np.interp(end + 0.5 - length, np.arange(edges.size), edges))
    return float(edges[-1] - start) / length


def _runs_out(tip: Tip) -> bool:
    height, width = tip.rod.shape
    return not (1 < tip.end[0] < height - 2 and 1 < tip.end[1] < width - 2)


def _hidden(tip: Tip, deposit: Region) -> bool:
    """Whether deposit beyond the metal covers much of the tip's surroundings."""
    outside = as_bool(deposit) & ~tip.rod
    reach = int(np.ceil(0.75 * tip.diameter_px))
    around = strip(outside, tip.end, tip.axis, back=reach, ahead=reach // 3, half=reach)
    metal = strip(tip.rod, tip.end, tip.axis, back=reach, ahead=reach // 3, half=reach)
    free = float((1 - metal).sum())
    return free > 0 and float(around.sum()) / free > HIDDEN_SHARE
