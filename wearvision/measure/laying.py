"""An outline laid on its nominal where most of it agrees: centre, size, perspective, and tilt where unknown.

A shift, a perspective and a tilt each change a profile a little like some wear does (on a hexagon a shift
shows in the orders 1, 5 and 7). How far each can be is known beforehand, and weighs in the more, the
less of the outline agrees.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision.measure import outline as lines
from wearvision.measure.circle import Points
from wearvision.measure.outline import Radii
from wearvision.measure.ranks import median

SHAPED = 0.02
"""Least peak to peak of a nominal over its mean radius from which its own form holds the outline in place."""

USUAL_SHIFT = 0.02
"""Standard deviation of the nominal's centre from the outline's centre of area, over the radius: a dent moves it."""

NEAR_CAMERA = 12.0
"""Camera distance in radii of the part, near but usual: sin(tilt) over it is the usual perspective."""

LEAST_PERSPECTIVE = 0.004
"""Standard deviation of the perspective at no tilt, per radius: what errors of the tilt leave."""

EDGE_ERROR_PX = 0.35
"""Two-sigma error of a smoothed mask's outline; pure staircases show 0.2 to 0.3 (tests/measure/test_rim.py)."""

LEAST_SPREAD_PX = 0.1
"""Least spread of departures: a mask tells no more."""


@dataclass(frozen=True, slots=True)
class Frame:
    """How to turn offsets in the picture into offsets seen square-on.

    Attributes:
        matrix: (2, 2), for row, column offsets; lengths along the tilt axis are kept.
        tilt_deg: The tilt that it takes out.
        known: True if it comes from something else than the outline judged.
        spread: Error of second-order amplitude over radius that the cue leaves (two sigma).
    """

    matrix: NDArray[np.float64]
    tilt_deg: float
    known: bool
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Departures:
    """A profile against its nominal, in pixels of the rectified picture.

    Attributes:
        off: Signed departure at each angle, (N,).
        nominal: Nominal radius at each angle, (N,).
        kept: Which angles count, (N,) bool.
        size: Nominal outer radius.
        centre: Of the nominal, rectified offset from the frame's origin.
        radii: The profile about that centre, not smoothed, (N,).
    """

    off: Radii
    nominal: Radii
    kept: NDArray[np.bool_]
    size: float
    centre: NDArray[np.float64]
    radii: Radii

    @property
    def value(self) -> float:
        """Largest departure over the nominal outer radius."""
        return float(np.abs(self.off[self.kept]).max() / self.size)


def lay(flat: Points, nominal_of: Callable[[Radii], Radii], frame: Frame, rounds: int = 8) -> Departures:
    """The departures of an outline from the nominal that its own profile gives, laid where most of it agrees.

    Args:
        flat: (N, 2) rectified outline about the frame's origin, pixels.
        nominal_of: The nominal profile for a profile.
        frame: The frame; where its tilt is not known a second-order stretch is free.
        rounds: Most steps.
    """
    centre, size = centre_of_area(flat), float(np.sqrt(abs(_area(flat)) / np.pi))
    at, total = flat - centre, np.zeros(6)
    for _ in range(rounds):
        radii = lines.polar(at)
        nominal = nominal_of(radii)
        kept = lines.without_features(radii) | is_shaped(nominal)
        move = _misfit(radii, nominal, kept, total / np.array([size, size, 1, 1, 1, 1]), frame)
        at, total = _moved(at, move), total + move
        if np.abs(move[:2]).max() < 0.02 and np.abs(move[2:4]).max() < 1e-3:
            break
    radii = lines.polar(at)
    nominal = nominal_of(radii)
    # Beside a steep wall of the design a small turn looks like a large departure.
    kept = np.abs(slope_of(nominal)) < 0.8 if is_shaped(nominal) else lines.without_features(radii)
    off = lines.smoothed(radii - nominal, kept)
    return Departures(off, nominal, kept, float(nominal.max()), centre + total[:2], radii)


def is_shaped(nominal: Radii) -> bool:
    """Whether a nominal is anything but a circle."""
    return float(np.ptp(nominal)) > SHAPED * float(nominal.mean())


def slope_of(nominal: Radii) -> Radii:
    """ρ'/ρ: the slope of the outline against the tangent of a circle, (N,)."""
    return np.asarray((np.roll(nominal, -1) - np.roll(nominal, 1)) / (2 * lines.angles(len(nominal))[1] * nominal))


def centre_of_area(points: Points) -> NDArray[np.float64]:
    """Centre of area of a closed outline, (2,); unlike the mean of its points it does not favour what is ragged."""
    after = np.roll(points, -1, axis=0)
    cross = points[:, 0] * after[:, 1] - points[:, 1] * after[:, 0]
    return np.asarray(((points + after) * cross[:, None]).sum(axis=0) / (3 * cross.sum()))


def _area(points: Points) -> float:
    after = np.roll(points, -1, axis=0)
    return float((points[:, 0] * after[:, 1] - points[:, 1] * after[:, 0]).sum() / 2)


def tilt_axis(frame: Frame) -> NDArray[np.float64]:
    """Unit vector, row and column, along which the frame stretches: where near and far differ."""
    values, axes = np.linalg.eigh(frame.matrix)
    return np.asarray(axes[:, int(np.argmax(values))])


def _columns(nominal: Radii, frame: Frame) -> tuple[Radii, NDArray[np.float64], list[int]]:
    """What each freedom does to the profile over its mean, (N, K); usual size of each; its place in a move.

    A displacement with radial part u and tangential part w changes a profile by u - w·ρ'/ρ.
    """
    cos, sin = lines.directions(len(nominal)).T
    lean = np.clip(slope_of(nominal), -1.0, 1.0)
    rho = nominal / float(nominal.mean())
    columns, usual, place = [cos + lean * sin, sin - lean * cos, rho], [USUAL_SHIFT, USUAL_SHIFT, np.inf], [0, 1, -1]
    if not frame.known or frame.spread > EDGE_ERROR_PX / float(nominal.mean()):
        # What a small drive says of the tilt the outline may mend a little. By half of the drive's deviation and not
        # by all of it: a wide dent looks a little oval, and would be mended away (tried on drawn ends).
        reach = frame.spread / 4 if frame.known else np.inf
        cos2, sin2 = lines.directions(len(nominal), 2).T
        columns += [rho * (cos2 + lean * sin2), rho * (sin2 - lean * cos2)]
        usual, place = [*usual, reach, reach], [*place, 2, 3]
    if is_shaped(nominal):
        perspective = max(float(np.sin(np.radians(frame.tilt_deg))) / NEAR_CAMERA, LEAST_PERSPECTIVE)
        axis = tilt_axis(frame)
        across = LEAST_PERSPECTIVE if frame.known else perspective
        along, aside = cos * axis[0] + sin * axis[1], cos * axis[1] - sin * axis[0]
        columns += [rho * rho * along, rho * rho * aside, rho * lean]
        usual, place = [*usual, perspective, across, np.inf], [*place, 4, 5, -1]
    return np.column_stack(columns), np.array(usual), place


def _misfit(
    radii: Radii, nominal: Radii, kept: NDArray[np.bool_], total: NDArray[np.float64], frame: Frame
) -> NDArray[np.float64]:
    """Further shift (2), stretch (2), perspective (2) that the outline shows against the nominal; robust, linear.

    Args:
        total: What was taken out so far, over the radius: what is usual counts from where it began.
    """
    size = float(nominal.mean())
    freedoms, usual, place = _columns(nominal, frame)
    rows, goal, kept = freedoms[::3], ((radii - nominal) / size)[::3], kept[::3]
    if not kept.any():
        return np.zeros(6)
    axis = tilt_axis(frame)
    turned = np.array([[axis[0], axis[1]], [axis[1], -axis[0]]])
    before = total.copy()
    before[4:] = turned @ total[4:] * size
    begun = np.array([before[spot] if spot >= 0 else 0.0 for spot in place])
    # Neighbours are alike: an outline of wear has about as many free values as twice the order of wear.
    alike = len(goal) / (2 * lines.WEAR_ORDER)
    slack = 1e-6 * len(goal)
    rows, goal = np.ascontiguousarray(rows[kept]), goal[kept]
    columns = np.ascontiguousarray(rows.T)
    weights, solution = np.ones(len(goal)), np.zeros(rows.shape[1])
    for number in range(14):
        off = np.abs(goal - rows @ solution)
        spread = max(1.4826 * median(off), LEAST_SPREAD_PX / size)
        if number >= 10:
            weights = np.maximum(1 - (off / (4.685 * spread)) ** 2, 0) ** 2
        elif number:
            # Least absolute departures first, as in ``fit_ellipse``.
            weights = np.minimum(spread / np.maximum(off, 1e-9), 10.0)
        hold = (spread / usual) ** 2 * alike
        weighted = columns * weights
        normal = weighted @ rows
        normal.reshape(-1)[:: len(hold) + 1] += hold + slack
        solution = np.linalg.solve(normal, weighted @ goal - hold * begun)
    move = np.zeros(6)
    for spot, value in zip(place, solution, strict=True):
        if spot >= 0:
            move[spot] = value
    move[:2] *= size
    move[4:] = turned.T @ move[4:] / size
    return move


def _moved(points: Points, move: NDArray[np.float64]) -> Points:
    """The points with that shift, stretch and perspective taken out."""
    away = points - move[:2]
    strained = away @ (np.eye(2) - np.array([[move[2], move[3]], [move[3], -move[2]]]))
    return np.asarray(strained / (1 + strained @ move[4:6])[:, None])
