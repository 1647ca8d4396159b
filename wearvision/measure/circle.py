"""Circles through points: least squares, minimum zone, and the roundness numbers that ISO 12181 names.

Points are (N, 2) in any one order of axes; centres come back in the same order. Lengths are in the
points' own unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle: ``centre`` in the axis order of the points it was fitted to, and ``radius``."""

    centre: tuple[float, float]
    radius: float

    def departures(self, points: Points) -> NDArray[np.float64]:
        """Signed radial departure of each point, positive outside; (N,)."""
        return np.asarray(np.hypot(points[:, 0] - self.centre[0], points[:, 1] - self.centre[1]) - self.radius)


@dataclass(frozen=True, slots=True)
class Roundness:
    """ISO 12181-1 roundness parameters against one reference circle.

    Attributes:
        ront: Peak to valley, RONt.
        ronp: Highest peak outside the reference circle, RONp.
        ronv: Deepest valley inside it, RONv, >= 0.
        ronq: Root mean square departure, RONq.
    """

    ront: float
    ronp: float
    ronv: float
    ronq: float


def _checked(points: Points, least: int) -> Points:
    """The points as (N, 2) float64.

    Raises:
        ValueError: another shape, too few points, or values that are not finite.
    """
    array = np.asarray(points, np.float64)
    if array.ndim != 2 or array.shape[1] != 2 or len(array) < least:
        raise ValueError(f"expected at least {least} points as (N, 2), got shape {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError("points must be finite, got NaN or infinity")
    return array


def algebraic_circle(points: Points, weights: NDArray[np.float64] | None = None) -> Circle:
    """The circle that minimises the algebraic distance (Kåsa): a start value, biased on short arcs.

    Args:
        points: (N, 2), N >= 3, not all on one line.
        weights: (N,) >= 0, or None for equal ones.
    Raises:
        ValueError: fewer than three points, or points on one line.
    Source: I. Kåsa, IEEE Trans. Instrum. Meas. 25 (1976), 8-14 (from memory).
    """
    points = _checked(points, 3)
    mid = points.mean(axis=0)
    u, v = (points - mid).T
    root = np.ones(len(u)) if weights is None else np.sqrt(weights)
    scale = float(np.sqrt(np.mean(u * u + v * v)))
    if scale == 0.0:
        raise ValueError("points lie on one spot; a circle needs three apart")
    u, v = u / scale, v / scale
    rows = np.column_stack([2 * u, 2 * v, np.ones_like(u)]) * root[:, None]
    found, _, rank, _ = np.linalg.lstsq(rows, (u * u + v * v) * root, rcond=1e-10)
    if rank < 3:
        raise ValueError("points lie on one line; a circle needs three apart")
    radius = float(np.sqrt(max(found[2] + found[0] ** 2 + found[1] ** 2, 0.0)))
    return Circle((float(mid[0] + scale * found[0]), float(mid[1] + scale * found[1])), scale * radius)


def fit_circle(points: Points, weights: NDArray[np.float64] | None = None, *, rounds: int = 100) -> Circle:
    """The least-squares reference circle (LSCI): least sum of squared radial departures.

    Levenberg-Marquardt from the algebraic start, in scaled coordinates.

    Args:
        points: (N, 2), N >= 3, not all on one line.
        weights: (N,) >= 0, or None for equal ones.
        rounds: Most steps taken; a full outline needs about five, a short arc more.
    Raises:
        ValueError: fewer than three points, or points on one line.
    Source: ISO 12181-1:2011 (LSCI); Gander, Golub, Strebel, BIT 34 (1994) 558-578.
    Example:
        >>> fit_circle(np.array([[1.0, 0], [0, 1], [-1, 0], [0, -1]])).radius
        1.0
    """
    points = _checked(points, 3)
    start = algebraic_circle(points, weights)
    mid, scale = points.mean(axis=0), start.radius
    flat = (points - mid) / scale
    root = np.ones(len(flat)) if weights is None else np.sqrt(weights)
    state = np.array([(start.centre[0] - mid[0]) / scale, (start.centre[1] - mid[1]) / scale, 1.0])

    def residual(at: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        away = flat - at[:2]
        reach = np.hypot(away[:, 0], away[:, 1])
        slopes = np.full((len(flat), 3), -1.0)
        slopes[:, :2] = -away / np.maximum(reach, 1e-300)[:, None]
        return (reach - at[2]) * root, slopes

    damping = 1e-6
    off, slope = residual(state)
    for _ in range(rounds):
        slope = slope * root[:, None]
        normal, pull = slope.T @ slope, slope.T @ off
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -pull)
        trial_off, trial_slope = residual(state + step)
        if trial_off @ trial_off <= off @ off:
            state, off, slope, damping = state + step, trial_off, trial_slope, max(damping * 0.1, 1e-15)
        else:
            damping *= 10.0
            slope = residual(state)[1]
        if np.abs(step).max() < 1e-13 or damping > 1e12:
            break
    return Circle((float(mid[0] + scale * state[0]), float(mid[1] + scale * state[1])), float(scale * state[2]))


def minimum_zone(points: Points, *, rounds: int = 30) -> tuple[Circle, float]:
    """The minimum zone reference circles (MZCI): two concentric circles of least width holding all points.

    Each round solves the linear Chebyshev problem of the limaçon about the present centre by
    exchange of four points, and moves the centre there; at rest the limaçon is the circle.

    Args:
        points: (N, 2), N >= 4, of a closed outline, in general position about its centre.
        rounds: Most moves of the centre.
    Returns:
        The circle midway between the two, and their distance (the width of the zone).
    Raises:
        ValueError: fewer than four points, or points on one line.
    Limits: meant for closed outlines; on an arc it may rest at a local minimum.
    Source: ISO 12181-1:2011 (MZCI); exchange as in E. Stiefel, Numer. Math. 1 (1959) (from memory).
    """
    points = _checked(points, 4)
    first = fit_circle(points)
    scale, centre = first.radius, np.array(first.centre)
    best_width, best_centre = np.inf, centre
    for _ in range(rounds):
        away = (points - centre) / scale
        reach = np.hypot(away[:, 0], away[:, 1])
        width = float(np.ptp(reach))
        if width >= best_width - 1e-14:
            break
        best_width, best_centre = width, centre
        move = _chebyshev(np.column_stack([np.ones_like(reach), away / np.maximum(reach, 1e-12)[:, None]]), reach)
        centre = centre + scale * move[1:]
    reach = np.hypot(*(points - best_centre).T)
    low, high = float(reach.min()), float(reach.max())
    return Circle((float(best_centre[0]), float(best_centre[1])), (low + high) / 2), high - low


def _chebyshev(rows: NDArray[np.float64], goal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients x (3,) of least max |goal - rows x|, by exchange of a four-point reference."""
    angles = np.arctan2(rows[:, 2], rows[:, 1])
    order = np.argsort(angles)
    held = list(order[np.linspace(0, len(order) - 1, 5).astype(int)[:4]])
    solution, level = _level(rows[held], goal[held])
    for _ in range(200):
        off = np.abs(goal - rows @ solution)
        worst = int(off.argmax())
        if off[worst] <= level + 1e-13 or worst in held:
            break
        trials = [[*held[:spot], worst, *held[spot + 1 :]] for spot in range(4)]
        solved = [_level(rows[trial], goal[trial]) for trial in trials]
        pick = int(np.argmax([found[1] for found in solved]))
        if solved[pick][1] <= level:
            break
        held, (solution, level) = trials[pick], solved[pick]
    return solution


def _level(rows: NDArray[np.float64], goal: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """The x (3,) that levels four residuals in size, and that size; size -1 where the four are dependent."""
    signs = np.sign(np.linalg.svd(rows.T)[2][-1])
    signs[signs == 0] = 1.0
    system = np.column_stack([rows, signs])
    if abs(np.linalg.det(system)) < 1e-12:
        return np.asarray(np.linalg.lstsq(rows, goal, rcond=None)[0], np.float64), -1.0
    found = np.linalg.solve(system, goal)
    return found[:3], abs(float(found[3]))


def roundness(points: Points, circle: Circle) -> Roundness:
    """RONt, RONp, RONv and RONq of the points against a reference circle (ISO 12181-1)."""
    off = circle.departures(_checked(points, 1))
    high, low = max(float(off.max()), 0.0), max(float(-off.min()), 0.0)
    return Roundness(float(np.ptp(off)), high, low, float(np.sqrt(np.mean(off * off))))
