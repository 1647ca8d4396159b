"""The sub-pixel outline of a region, its polar profile, and what in it is design rather than wear.

A bool mask is a staircase of half a pixel each way. It is smoothed a little and followed at the half
level, so that the staircase does not show as wear; a probability map is followed where it is 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.circle import Points

Region = NDArray[np.bool_] | NDArray[np.floating]
Radii = NDArray[np.float64]

STEPS = 720
"""Samples of a polar profile; half a degree each."""

WEAR_ORDER = 12
"""Highest order of undulation that counts as wear; finer is knurling, grain and pixels."""

BLUR_PX = 1.0
"""Smoothing of a bool mask; a straight edge keeps its place, a circle of radius R moves in by BLUR_PX²/2R."""

BORDER_PX = 2.0
"""Outline nearer than this to the picture's edge is the picture's edge, not the part's."""

_AROUND = np.ones((5, 5), np.uint8)

FEATURE_RAD = np.radians(60.0)
"""Widest notch or tab; wider is the outline itself."""


def soft(region: Region) -> NDArray[np.float32]:
    """The region as a float map of which 0.5 is the edge, (H, W) float32.

    Raises:
        ValueError: not (H, W), or floats outside 0 to 1.
    """
    if region.ndim != 2:
        raise ValueError(f"a region must be (H, W), got shape {region.shape}")
    if region.dtype == np.bool_:
        return region.astype(np.float32)
    if not np.issubdtype(region.dtype, np.floating):
        raise ValueError(f"a region must be bool, or floats from 0 to 1, got {region.dtype}")
    if region.size and not (float(region.min()) >= 0.0 and float(region.max()) <= 1.0):
        raise ValueError("a region of floats must lie from 0 to 1")
    return region.astype(np.float32, copy=False)


def outline(region: Region, *, blur_px: float = BLUR_PX) -> Points:
    """The outer outline of the largest connected piece, closed, about a point a pixel.

    Args:
        region: (H, W) bool, or float probability from 0 to 1 followed at 0.5.
        blur_px: Smoothing of a bool mask, > 0; half as much of a probability map.
    Returns:
        (N, 2) float row, column in the order along the edge; (0, 2) where there is no piece of 3 pixels.
    Raises:
        ValueError: as ``soft``.
    """
    level = soft(region)
    contours, _ = cv2.findContours((level >= 0.5).view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contours = [found for found in contours if len(found) >= 3]
    if not contours:
        return np.empty((0, 2))
    largest = max(contours, key=cv2.contourArea)
    left, top, width, height = cv2.boundingRect(largest)
    pad = 8
    piece = np.zeros((height, width), np.uint8)
    cv2.drawContours(piece, [largest - (left, top)], 0, 1, cv2.FILLED)
    piece = np.pad(piece, pad)
    if region.dtype == np.bool_:
        smooth = cv2.GaussianBlur(piece.astype(np.float32), (0, 0), blur_px)
    else:
        values = _widened(level, top, left, height, width, pad)
        values[cv2.dilate(piece, _AROUND) == 0] = 0.0
        values[cv2.erode(piece, _AROUND) > 0] = 1.0
        smooth = cv2.GaussianBlur(values, (0, 0), blur_px / 2)
    edges, _ = cv2.findContours((smooth >= 0.5).view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not edges:
        return np.empty((0, 2))
    edge = max(edges, key=cv2.contourArea)[:, 0, ::-1].astype(np.float64)
    half = _to_half_level(np.asarray(smooth, np.float32), edge)
    return np.asarray(half + np.array([top - pad, left - pad]), np.float64)


def _widened(
    level: NDArray[np.float32], top: int, left: int, height: int, width: int, pad: int
) -> NDArray[np.float32]:
    """A box of the map with ``pad`` pixels around it, a new array; beyond the picture its edge goes on."""
    rows, columns = level.shape
    above, before = max(0, pad - top), max(0, pad - left)
    below, after = max(0, top + height + pad - rows), max(0, left + width + pad - columns)
    inner = level[max(0, top - pad) : top + height + pad, max(0, left - pad) : left + width + pad]
    return np.asarray(cv2.copyMakeBorder(inner, above, below, before, after, cv2.BORDER_REPLICATE), np.float32)


def _to_half_level(smooth: NDArray[np.float32], points: Points) -> Points:
    """Points moved along the gradient to where the map is one half."""
    slope_row = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125), np.float32)
    slope_column = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125), np.float32)
    planes = cv2.merge([smooth, slope_row, slope_column])
    at = points.copy()
    for _ in range(3):
        x, y = (np.ascontiguousarray(at[:, None, axis], np.float32) for axis in (1, 0))
        seen = cv2.remap(planes, x, y, cv2.INTER_LINEAR)[:, 0].astype(np.float64)
        slope = seen[:, 1:]
        steep = np.maximum((slope * slope).sum(axis=1), 1e-3)
        at += np.minimum(np.maximum(((0.5 - seen[:, 0]) / steep)[:, None] * slope, -0.7), 0.7)
    return at


def inside_picture(points: Points, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which outline points are the part's own edge and not the picture's, (N,)."""
    far = np.array(shape[:2]) - 1 - BORDER_PX
    return np.asarray(((points > BORDER_PX) & (points < far)).all(axis=1))


def polar(points: Points, centre: tuple[float, float] | NDArray[np.float64] = (0.0, 0.0), steps: int = STEPS) -> Radii:
    """Distance from the centre to the outline at ``steps`` even angles, (steps,).

    The angle runs from the first coordinate's axis towards the second's. The outline should be seen
    whole from the centre; where it folds back the profile runs between the folds.
    """
    away = points - np.asarray(centre)
    angle, reach = np.arctan2(away[:, 1], away[:, 0]) % (2 * np.pi), np.hypot(away[:, 0], away[:, 1])
    order = np.argsort(angle)
    return _read_off(angles(steps), angle[order], reach[order])


def _read_off(turn: Radii, at: Radii, values: Radii) -> Radii:
    """Values between those at rising angles ``at``, 0 to 2 pi, all round."""
    whole = 2 * np.pi
    place = np.concatenate([at[-1:] - whole, at, at[:1] + whole])
    return np.asarray(np.interp(turn, place, np.concatenate([values[-1:], values, values[:1]])), np.float64)


@cache
def angles(steps: int = STEPS) -> Radii:
    """The angles of a polar profile in radians, (steps,); the same array each time, not to be written to."""
    turn = np.asarray(np.arange(steps) * (2 * np.pi / steps), np.float64)
    turn.flags.writeable = False
    return turn


@cache
def directions(steps: int = STEPS, order: int = 1) -> Points:
    """Cosine and sine of ``order`` times the angles, (steps, 2); the same array each time, not to be written to."""
    turn = order * angles(steps)
    both = np.column_stack([np.cos(turn), np.sin(turn)])
    both.flags.writeable = False
    return both


def unpolar(radii: Radii) -> Points:
    """The points of a polar profile about the origin, (N, 2)."""
    return np.asarray(radii[:, None] * directions(len(radii)))


def lowpass(radii: Radii, order: int = WEAR_ORDER) -> Radii:
    """The profile up to ``order`` undulations, fading out at 1.8 times that (a hard end would ring at a dent)."""
    return np.fft.irfft(np.fft.rfft(radii) * _fade(len(radii) // 2 + 1, order), len(radii))


@cache
def _fade(count: int, order: int) -> Radii:
    share = np.clip((np.arange(count) - order) / (0.8 * order), 0, 1)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * share), np.float64)


def bridged(radii: Radii, kept: NDArray[np.bool_]) -> Radii:
    """The profile with a straight run over all samples that are not kept."""
    if kept.all() or not kept.any():
        return radii
    turn = angles(len(radii))
    return _read_off(turn, turn[kept], radii[kept])


def smoothed(radii: Radii, kept: NDArray[np.bool_]) -> Radii:
    """``lowpass`` of the kept samples; the others are filled in turn by turn with what that gives (Papoulis 1975)."""
    filled = bridged(radii, kept)
    smooth = lowpass(filled)
    if kept.all() or not kept.any():
        return smooth
    for _ in range(12):
        filled = np.where(kept, radii, smooth)
        smooth = lowpass(filled)
    return smooth


def without_features(radii: Radii) -> NDArray[np.bool_]:
    """Which samples of a profile in pixels are no notch, tab, key or rib, (N,) bool.

    A feature has two steep walls, one in and one out, of like height and at most 60 degrees apart.
    Melting and dents are gentle: a dent of a tenth of the radius and 20 degrees wide slopes 0.4.
    """
    size = float(np.median(radii))
    sample_px = size * 2 * np.pi / len(radii)
    reach = max(1, round(1.2 / sample_px))
    slope = (np.roll(radii, -reach) - np.roll(radii, reach)) / (2 * reach * sample_px)
    walls = _walls(slope, radii, float(np.clip(0.45 + size / 250, 0.65, 1.2)), reach)
    # Knurling is under 0.025 of the radius; a melted drip has as high a flank as a key, but a longer one.
    least, longest = max(1.2, 0.028 * size), max(5.0, 0.07 * size)
    walls = [wall for wall in walls if abs(wall[2]) >= least and (wall[1] - wall[0]) * sample_px <= longest]
    margin = int(np.ceil(3.0 / sample_px))
    kept = np.ones(len(radii), bool)
    for first, last in _pairs(walls, len(radii)):
        kept[np.arange(first - margin, last + margin + 1) % len(radii)] = False
    return kept


def runs_of(lost: NDArray[np.bool_]) -> int:
    """How many separate runs of True a turn has."""
    return int(np.count_nonzero(lost & ~np.roll(lost, 1)))


def _walls(slope: Radii, radii: Radii, steep: float, reach: int) -> list[tuple[int, int, float]]:
    """Runs of steep slope of one sign: first and last sample, and signed height; ``last`` may pass the end."""
    count, sign = len(slope), np.where(np.abs(slope) > steep, np.sign(slope), 0).astype(int)
    if not sign.any() or sign.all():
        return []
    start = int(np.flatnonzero(sign == 0)[0])
    rolled = np.roll(sign, -start)
    ends = np.flatnonzero(np.diff(rolled)) + 1
    runs = zip(np.concatenate([[0], ends]), np.concatenate([ends, [count]]) - 1, strict=True)
    return [
        (
            int(first) + start,
            int(last) + start,
            float(radii[(last + start + reach) % count] - radii[(first + start - reach) % count]),
        )
        for first, last in runs
        if rolled[first] != 0
    ]


def _pairs(walls: list[tuple[int, int, float]], count: int) -> list[tuple[int, int]]:
    """Neighbouring walls of opposite sign and like height that belong together, the narrowest first."""
    if len(walls) < 2:
        return []
    offers = []
    for here, wall in enumerate(walls):
        there = (here + 1) % len(walls)
        other = walls[there]
        width = (other[1] - wall[0]) % count
        heights = abs(wall[2]), abs(other[2])
        if wall[2] * other[2] < 0 and width <= FEATURE_RAD / (2 * np.pi) * count and min(heights) > 0.5 * max(heights):
            offers.append((width, here, there))
    used: set[int] = set()
    found = []
    for width, here, there in sorted(offers):
        if here not in used and there not in used:
            used |= {here, there}
            found.append((walls[here][0], walls[here][0] + width))
    return found


def symmetric(radii: Radii, order: int) -> Radii:
    """The profile made ``order``-fold symmetric: at each angle the median over the turns."""
    count = len(radii)
    shift = count / order * np.arange(order)[:, None]
    first = shift.astype(np.intp)
    at = (np.arange(count) + first) % count
    turns = radii[at] + (shift - first) * (radii[(at + 1) % count] - radii[at])
    return np.asarray(np.median(turns, axis=0))


@dataclass(frozen=True, slots=True)
class Period:
    """A repeat that a profile shows: ``order`` times a turn; ``pure`` if it is a mere wave, which wear can be too."""

    order: int
    pure: bool


def period_of(radii: Radii) -> Period | None:
    """The order n >= 3 of a design that repeats n times a turn, or None where the profile shows no such period.

    It is the highest order whose symmetric form explains the profile well. A design mostly has
    corners or flats, so that its repeat also shows in the second or third multiple of the order.
    """
    wave = 2 * np.abs(np.fft.rfft(radii / radii.mean())) / len(radii)
    spread = float(np.median(np.abs(radii - np.median(radii))))
    fine = wave[10:61] ** 2
    crisp = fine.sum() > max(0.006, 0.5 / float(radii.mean())) ** 2
    fits: dict[int, float] = {}
    shares: dict[int, float] = {}
    for order in (3 + np.argsort(wave[3:25])[::-1][:6]).tolist():
        if wave[order] >= 0.012:
            off = np.abs(radii - symmetric(radii, order))
            fits[order] = float(np.median(off)) / max(spread, 1e-12)
            # Wear is smooth: what is finer than order 10 comes from the design, at multiples of its order.
            shares[order] = float(fine[np.arange(10, 61) % order == 0].sum() / max(fine.sum(), 1e-30))
    most = max(shares.values(), default=0.0)
    if crisp and most > 0.75:
        return Period(max(order for order, share in shares.items() if share >= 0.95 * most), False)
    good = {order: fit for order, fit in fits.items() if fit < 0.35}
    if not good:
        return None
    best = min(good.values())
    order = max(order for order, fit in good.items() if fit <= max(1.5 * best, 0.12))
    pure = bool(max(wave[2 * order], wave[3 * order]) < 0.10 * wave[order])
    # Waves of several orders look a little like the strongest of them; a design repeats well.
    return Period(order, pure) if fits[order] < 0.2 or not pure else None
