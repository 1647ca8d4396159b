"""What kind of drive socket an opening is, and where its flats, corners and teeth lie.

Works on the opening's outline, turned front-on. Polygons correct what tilt is left by their own
regularity: a square or hexagon under a tilt is still six numbers away from the regular one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from wearvision.measure import outline as lines
from wearvision.measure.circle import Points, fit_circle
from wearvision.measure.ellipse import fit_ellipse, rectifier
from wearvision.measure.outline import Radii, Region
from wearvision.measure.profile import Frame
from wearvision.measure.result import Reason, Unmeasured

SOCKET_BLUR_PX = 0.7
"""Less smoothing than for an outer outline: it rounds corners, and flats average their own staircase."""

LEAST_SOCKET_PX = 16.0
"""Twice the wear standard's shortest length: a socket with a centre-to-flat distance under 8 pixels."""

POLYGON_TILT_PX = 0.7
"""Two-sigma error of the second-order form that a polygon tells, over its centre-to-flat distance in pixels.

Found on drawn squares of 18 to 72 pixels, tilted to 35 degrees, from 10 to 25 face radii away: 0.66 to 0.75."""


class Kind(StrEnum):
    """Forms of a drive opening."""

    D = "d"
    DOUBLE_D = "double_d"
    SQUARE = "square"
    HEXAGON = "hexagon"
    SPLINED = "splined"
    ROUND = "round"


@dataclass(frozen=True, slots=True)
class Corner:
    """The surroundings of one corner, in units of the distance from centre to flat.

    Attributes:
        points: Outline about it, (N, 2); the corner's first side has its outward normal along +x.
        flat: Distance of that side from the origin.
        turn: Angle from the first side's normal to the second's at the sharp corner, 0 to pi.
        bow: Radius of the second side about the origin where it is an arc; None where it is straight.
        other: Distance of a straight second side from the origin.
    """

    points: Points
    flat: float
    turn: float
    bow: float | None
    other: float


@dataclass(frozen=True, slots=True)
class Socket:
    """A drive opening.

    Attributes:
        kind: Its form.
        a_px: Distance from centre to flat in pixels of the rectified picture; splined and round: mean radius.
        corners: Of a form with flats.
        radii: Polar profile, of a splined form, in pixels.
        count: Flats, or teeth.
        trace: The outline in the picture, (N, 2) row, column.
        frame: The tilt as the socket itself tells it, where its form does: a polygon, a ring of teeth.
    """

    kind: Kind
    a_px: float
    corners: tuple[Corner, ...]
    radii: Radii
    count: int
    trace: Points
    frame: Frame | None = None


def read_socket(region: Region, frame: Frame | None = None) -> Socket | Unmeasured:
    """The kind of a drive opening and its parts.

    Args:
        region: (H, W) the opening, bool or probability.
        frame: The tilt, best from the end's outer outline; from the opening itself if None.
    Returns:
        The socket (``ROUND`` where no flat and no tooth shows), or unmeasured: ``not_in_view``, ``not_resolvable``.
    Raises:
        ValueError: a region that is not (H, W) bool or 0 to 1.
    """
    points = lines.outline(region, blur_px=SOCKET_BLUR_PX)
    if len(points) == 0 or lines.inside_picture(points, region.shape).mean() < 0.98:
        return Unmeasured(Reason.NOT_IN_VIEW, "The drive socket is not in the picture.")
    if np.ptp(points, axis=0).min() < LEAST_SOCKET_PX:
        return Unmeasured(Reason.NOT_RESOLVABLE, "The drive socket is too small in the picture; come closer.")
    matrix = frame.matrix if frame is not None else rectifier(fit_ellipse(points))
    flat = (points - points.mean(axis=0)) @ matrix.T
    flat = flat - fit_circle(flat).centre
    radii = lines.polar(flat)
    found = _polygon(flat, 4) or _polygon(flat, 6)
    if found is not None:
        a_px, corners, own = found
        kind = Kind.SQUARE if len(corners) == 4 else Kind.HEXAGON
        return Socket(kind, a_px, corners, radii, len(corners), points, _frame(own.T @ matrix, POLYGON_TILT_PX / a_px))
    teeth = _teeth(radii)
    if teeth:
        ring = fit_ellipse(points[np.hypot(*flat.T) > np.median(radii)], robust=True)
        own_frame = _frame(rectifier(ring), (0.3 + ring.rms) / ring.major)
        return Socket(Kind.SPLINED, float(radii.mean()), (), radii, teeth, points, own_frame)
    cut = _cut_circle(flat)
    if cut is not None:
        kind = Kind.D if len(cut[1]) == 2 else Kind.DOUBLE_D
        return Socket(kind, cut[0], cut[1], radii, len(cut[1]) // 2, points)
    return Socket(Kind.ROUND, float(radii.mean()), (), radii, 0, points)


def _frame(matrix: NDArray[np.float64], spread: float) -> Frame:
    """The frame of a rectifying matrix of any scale and turn: lengths along the tilt axis are kept."""
    sizes, axes = np.linalg.svd(matrix)[1:]
    tilt_deg = float(np.degrees(np.arccos(sizes[1] / sizes[0])))
    return Frame(axes.T @ np.diag(sizes / sizes[1]) @ axes, tilt_deg, True, spread)


def _line(points: Points) -> tuple[NDArray[np.float64], float, float]:
    """Outward unit normal, distance from the origin and rms of a straight run of points."""
    mid = points.mean(axis=0)
    _, sizes, axes = np.linalg.svd(points - mid, full_matrices=False)
    normal = axes[1] if mid @ axes[1] > 0 else -axes[1]
    return normal, float(mid @ normal), float(sizes[1] / np.sqrt(len(points)))


def _polygon(flat: Points, count: int) -> tuple[float, tuple[Corner, ...], NDArray[np.float64]] | None:
    """Centre-to-flat distance in pixels, corners and own rectifier of a regular polygon; None if it is none."""
    at = flat
    half = np.pi / count
    ideal_turn = 2 * half * np.arange(count)
    ideal = np.column_stack([np.cos(ideal_turn + half), np.sin(ideal_turn + half)]) / np.cos(half)
    total = np.eye(2)
    for _ in range(3):
        radii = lines.polar(at)
        wave = np.fft.rfft(radii / radii.mean())[count] / len(radii) * 2
        if abs(wave) < 0.012:
            return None
        first = -np.angle(wave) / count + half
        angle = np.arctan2(at[:, 1], at[:, 0])
        off = (angle - first + half) % (2 * np.pi)
        side = np.minimum((off / (2 * half)).astype(int), count - 1)
        inside = np.abs(off % (2 * half) - half) < 0.42 * half
        if np.bincount(side[inside], minlength=count).min() < 4:
            return None
        sides = [_line(at[inside & (side == number)]) for number in range(count)]
        normals, offsets = np.array([found[0] for found in sides]), np.array([found[1] for found in sides])
        after = np.roll(normals, -1, axis=0)
        if np.abs(normals[:, 0] * after[:, 1] - normals[:, 1] * after[:, 0]).min() < 0.1:
            return None  # neighbouring sides are parallel: no polygon
        tips = np.array(
            [np.linalg.solve(normals[[k, (k + 1) % count]], offsets[[k, (k + 1) % count]]) for k in range(count)]
        )
        rows = np.column_stack([ideal, np.ones(count)])
        fitted, *_ = np.linalg.lstsq(rows, tips, rcond=None)
        stretched = np.linalg.svd(fitted[:2])[1]
        if stretched[1] < 0.7 * stretched[0] or np.linalg.det(fitted[:2]) <= 0:
            return None
        back = np.linalg.inv(fitted[:2])
        at, total = (at - fitted[2]) @ back, total @ back
    a_px = 1.0 / float(np.sqrt(abs(np.linalg.det(total))))
    rough = max(found[2] for found in sides) * a_px / max(np.median(offsets), 1e-9)
    normals = np.column_stack([np.cos(ideal_turn), np.sin(ideal_turn)])
    beyond = float((at @ normals.T).max(axis=1).max() - 1) * a_px
    # The last fit was of a polygon of size one, so that roughness is in its units.
    if rough > 0.26 + 0.002 * a_px or beyond > 1.5 + 0.03 * a_px:
        return None
    return a_px, tuple(_corner(at, count, number) for number in range(count)), total


def _corner(at: Points, count: int, number: int) -> Corner:
    """Corner between side ``number`` and the next of a polygon of size one, with its own two lines."""
    half = np.pi / count
    turned = at @ _turn(-2 * half * number).T
    angle = np.arctan2(turned[:, 1], turned[:, 0])
    first = turned[np.abs(angle) < 0.42 * half]
    second = turned[np.abs(angle - 2 * half) < 0.42 * half]
    if min(len(first), len(second)) < 4:
        return Corner(turned[(angle > 0) & (angle < 2 * half)], 1.0, 2 * half, None, 1.0)
    (one, flat, _), (two, other, _) = _line(first), _line(second)
    lean = float(np.arctan2(one[1], one[0]))
    turned, turn = turned @ _turn(-lean).T, float(np.arctan2(two[1], two[0]) - lean)
    angle = np.arctan2(turned[:, 1], turned[:, 0])
    return Corner(turned[(angle > 0) & (angle < turn)], flat, turn, None, other)


def _turn(angle: float) -> NDArray[np.float64]:
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin], [sin, cos]])


def _teeth(radii: Radii) -> int:
    """Number of teeth of a splined opening, 0 where it has none."""
    wave = 2 * np.abs(np.fft.rfft(radii / radii.mean())) / len(radii)
    count = 5 + int(np.argmax(wave[5:37]))
    if wave[count] < 0.02 or wave[count] < 1.2 * wave[2:5].max():
        return 0
    off = np.abs(radii - lines.symmetric(radii, count))
    spread = float(np.median(np.abs(radii - np.median(radii))))
    return count if float(np.median(off)) < 0.5 * spread else 0


def _cut_circle(flat: Points) -> tuple[float, tuple[Corner, ...]] | None:
    """Centre-to-flat distance in pixels and corners of a circle with one or two flats."""
    circle = _arc_circle(flat)
    if circle is None:
        return None
    centre, radius = circle
    at = flat - centre
    reach, angle = np.hypot(*at.T), np.arctan2(at[:, 1], at[:, 0])
    order = np.argsort(angle)
    at, reach, angle = at[order], reach[order], angle[order]
    deep = lines.polar(at) < radius - max(0.9, 0.02 * radius)
    flats = []
    for start, stop in _runs(deep):
        wide = (stop - start) * 2 * np.pi / len(deep)
        if not 0.6 < wide < 3.3:
            continue
        middle = (start + stop) / 2 * 2 * np.pi / len(deep)
        near = np.abs((angle - middle + np.pi) % (2 * np.pi) - np.pi) < 0.22 * wide
        if near.sum() >= 5:
            normal, a, rms = _line(at[near])
            if rms < 0.3 + 0.006 * radius and a > 0.2 * radius:
                flats.append((float(np.arctan2(normal[1], normal[0])), a))
    if len(flats) not in (1, 2):
        return None
    a_px = float(np.mean([a for _, a in flats]))
    corners = []
    for lean, a in flats:
        turned = at @ _turn(-lean).T / a_px
        for flip in (1.0, -1.0):
            beta = float(np.arccos(min(a / radius, 0.99)))
            points = turned * (1.0, flip)
            here = np.arctan2(points[:, 1], points[:, 0])
            near = (here > 0) & (here < min(2.0 * beta, beta + 0.9, np.pi if len(flats) == 1 else np.pi / 2))
            corners.append(Corner(points[near], a / a_px, beta, radius / a_px, 0.0))
    return a_px, tuple(corners)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Start and stop of each run of True round a closed profile; stop may pass the end."""
    starts, stops = np.flatnonzero(flags & ~np.roll(flags, 1)), np.flatnonzero(flags & ~np.roll(flags, -1)) + 1
    if len(starts) == 0:
        return []
    after = [stops[stops > start] for start in starts]
    return [
        (int(start), int(later[0] if len(later) else stops[0] + len(flags)))
        for start, later in zip(starts, after, strict=True)
    ]


def _arc_circle(flat: Points) -> tuple[NDArray[np.float64], float] | None:
    """Centre and radius of the circle that most of the outline lies on and none of it lies outside."""
    few = flat[np.linspace(0, len(flat), 180, endpoint=False).astype(int)]
    size = float(np.median(np.hypot(*flat.T)))
    tolerance = 0.5 + 0.006 * size
    best, most = None, 0
    # Three points on one arc, or (a double-D) two on one arc and one across.
    for near, far in ((20, 40), (35, 70), (55, 115), (8, 90), (14, 82), (20, 100)):
        one, two, three = few, np.roll(few, near, axis=0), np.roll(few, far, axis=0)
        b, c = two - one, three - one
        cross = 2 * (b[:, 0] * c[:, 1] - b[:, 1] * c[:, 0])
        cross = np.where(np.abs(cross) < 1e-6, 1e-6, cross)
        bb, cc = (b * b).sum(axis=1), (c * c).sum(axis=1)
        centres = one + np.column_stack([c[:, 1] * bb - b[:, 1] * cc, b[:, 0] * cc - c[:, 0] * bb]) / cross[:, None]
        radii = np.hypot(*(centres - one).T)
        off = np.hypot(few[None, :, 0] - centres[:, None, 0], few[None, :, 1] - centres[:, None, 1]) - radii[:, None]
        votes = (np.abs(off) < tolerance).sum(axis=1) - 3 * (off > 2 * tolerance).sum(axis=1)
        votes = np.where(radii < 2 * size, votes, 0)
        if votes.max() > most:
            most, best = int(votes.max()), (centres[int(votes.argmax())], float(radii[int(votes.argmax())]))
    if best is None or most < 40:
        return None
    centre, radius = best
    for _ in range(3):
        near = np.abs(np.hypot(*(flat - centre).T) - radius) < 1.5 * tolerance
        circle = fit_circle(flat[near])
        centre, radius = np.array(circle.centre), circle.radius
    return centre, radius
