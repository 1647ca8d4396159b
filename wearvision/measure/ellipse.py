"""Ellipses through points, the tilt that an ellipse tells, and taking that tilt out of a shape.

A round thing seen at a tilt is an ellipse whose minor over major axis is the cosine of the tilt.
Points are (N, 2) in any one order of axes, and centres and angles come back in that order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.ranks import median

Points = NDArray[np.float64]
Matrix = NDArray[np.float64]

MOST_FITTED = 120
"""Points used in a geometric fit; more cost time and tell nothing new about five numbers."""

NOISE_FLOOR = 1e-9
"""Least residual scale of a robust fit, as a part of the ellipse's size, so that exact points keep finite weights."""


@dataclass(frozen=True, slots=True)
class Ellipse:
    """An ellipse.

    Attributes:
        centre: In the axis order of the points it was fitted to.
        major: Long half axis.
        minor: Short half axis, 0 < minor <= major.
        angle_rad: Direction of the long axis from the first coordinate's axis towards the second's, 0 to pi.
        rms: Root mean square orthogonal distance of the points it follows.
        share: Part of the points that it follows, 0 to 1; below 1 only after a robust fit.
    """

    centre: tuple[float, float]
    major: float
    minor: float
    angle_rad: float
    rms: float = 0.0
    share: float = 1.0

    @property
    def tilt_deg(self) -> float:
        """The tilt at which a circle looks like this, in degrees (far camera)."""
        return float(np.degrees(np.arccos(min(self.minor / self.major, 1.0))))

    def at(self, angles: NDArray[np.float64]) -> Points:
        """Points of the ellipse at the given eccentric angles, (N, 2)."""
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        along, across = self.major * np.cos(angles), self.minor * np.sin(angles)
        first, second = cos * along - sin * across, sin * along + cos * across
        return np.column_stack([self.centre[0] + first, self.centre[1] + second])


def rectifier(ellipse: Ellipse) -> Matrix:
    """The (2, 2) matrix that stretches offsets from the centre until the ellipse is a circle of radius ``major``.

    The long axis keeps its length: that is the one the tilt leaves alone.
    """
    return stretch(ellipse.minor / ellipse.major, ellipse.angle_rad)


def stretch(axis_ratio: float, angle_rad: float) -> Matrix:
    """The (2, 2) matrix that divides lengths across ``angle_rad`` by ``axis_ratio`` and keeps those along it."""
    along = np.array([np.cos(angle_rad), np.sin(angle_rad)])
    across = np.array([-along[1], along[0]])
    return np.outer(along, along) + np.outer(across, across) / axis_ratio


def direct_ellipse(points: Points) -> Ellipse:
    """The direct least-squares ellipse: always an ellipse, algebraic, a good start.

    Args:
        points: (N, 2), N >= 5 in general position.
    Raises:
        ValueError: fewer than five points, or no ellipse goes through them (points on a line).
    Source: R. Halir, J. Flusser, WSCG 1998, the stable form of Fitzgibbon, Pilu, Fisher 1999.
    """
    array = np.asarray(points, np.float64)
    if array.ndim != 2 or array.shape[1] != 2 or len(array) < 5:
        raise ValueError(f"an ellipse needs at least 5 points as (N, 2), got shape {array.shape}")
    mid = array.mean(axis=0)
    scale = float(np.sqrt(((array - mid) ** 2).sum(axis=1).mean()))
    if not np.isfinite(scale) or scale == 0.0:
        raise ValueError("points of an ellipse must be finite and not all on one spot")
    x, y = ((array - mid) / scale).T
    square, straight = np.column_stack([x * x, x * y, y * y]), np.column_stack([x, y, np.ones_like(x)])
    scatter = straight.T @ straight
    if np.linalg.cond(scatter) > 1e13:
        raise ValueError("points lie on one line; an ellipse needs them spread")
    carry = -np.linalg.solve(scatter, straight.T @ square)
    reduced = square.T @ square + square.T @ straight @ carry
    reduced = np.array([reduced[2] / 2, -reduced[1], reduced[0] / 2])
    _, vectors = np.linalg.eig(reduced)
    real = np.real(vectors)
    good = 4 * real[0] * real[2] - real[1] ** 2 > 0
    if not good.any():
        raise ValueError("no ellipse goes through these points")
    quadratic = real[:, good][:, 0]
    return _from_conic(np.concatenate([quadratic, carry @ quadratic]), mid, scale)


def _from_conic(conic: NDArray[np.float64], mid: NDArray[np.float64], scale: float) -> Ellipse:
    """Centre, half axes and direction of a x² + b xy + c y² + d x + e y + f = 0, put back to the points' scale."""
    a, b, c, d, e, f = conic
    form = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(form, [-d / 2, -e / 2])
    rest = f + (d * centre[0] + e * centre[1]) / 2
    values, axes = np.linalg.eigh(form)
    squares = -rest / values
    if (squares <= 0).any():
        raise ValueError("no real ellipse goes through these points")
    long = int(np.argmax(squares))
    major, minor = np.sqrt(squares[long]), np.sqrt(squares[1 - long])
    angle = float(np.arctan2(axes[1, long], axes[0, long]) % np.pi)
    spot = mid + scale * centre
    return Ellipse((float(spot[0]), float(spot[1])), float(scale * major), float(scale * minor), angle)


def fit_ellipse(points: Points, *, robust: bool = False, start: Ellipse | None = None, rounds: int = 60) -> Ellipse:
    """The ellipse of least squared orthogonal distances.

    Args:
        points: (N, 2), N >= 5.
        robust: Let points far off lose their say (Tukey's weights), so that a dent, a notch or a hidden
            stretch does not pull the ellipse; needs most points to lie on it.
        start: Where to begin; the direct fit if None.
        rounds: Most steps taken.
    Raises:
        ValueError: as ``direct_ellipse``.
    Source: W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558-578; weights: Beaton, Tukey 1974 (from memory).
    """
    array = np.asarray(points, np.float64)
    if start is None:
        start = direct_ellipse(array)
    if len(array) > MOST_FITTED:
        array = array[np.linspace(0, len(array), MOST_FITTED, endpoint=False).astype(int)]
    even = np.ones(len(array))
    fit = _descend(array, _fit_at(array, _state(start)), even, 3 if robust else rounds)
    if not robust:
        return _ellipse(fit.state, float(np.sqrt(np.mean(fit.off * fit.off))), 1.0)
    weights = even
    # Least absolute distances first: a start from least squares would be smeared over a wide dent and keep it.
    for turn in range(10):
        away = np.abs(fit.off)
        spread = max(1.4826 * median(away), NOISE_FLOOR * float(fit.state[2:4].max()))
        if turn < 6:
            weights = spread / np.maximum(away, 0.1 * spread)
        else:
            weights = np.maximum(1 - (away / (4.685 * spread)) ** 2, 0) ** 2
        fit = _descend(array, fit, weights, 2)
    held = weights > 0.05
    return _ellipse(fit.state, float(np.sqrt(np.mean(fit.off[held] ** 2))), float(held.mean()))


def _ellipse(state: NDArray[np.float64], rms: float, share: float) -> Ellipse:
    first, second, major, minor, angle = state.tolist()
    if minor > major:
        major, minor, angle = minor, major, angle + np.pi / 2
    return Ellipse((first, second), major, minor, angle % np.pi, rms, share)


def _state(ellipse: Ellipse) -> NDArray[np.float64]:
    return np.array([*ellipse.centre, ellipse.major, ellipse.minor, ellipse.angle_rad])


@dataclass(frozen=True, slots=True)
class _Fit:
    """A trial ellipse against its points.

    Attributes:
        state: Centre (2), both half axes, angle.
        off: Signed orthogonal distances, positive outside, (N,).
        slope: Their slopes by each of ``state``, (5, N).
        feet: Cosine and sine of the eccentric angles of the perpendiculars' feet, in the first quadrant, (2, N).
    """

    state: NDArray[np.float64]
    off: NDArray[np.float64]
    slope: NDArray[np.float64]
    feet: NDArray[np.float64]


def _descend(points: Points, fit: _Fit, weights: NDArray[np.float64], rounds: int) -> _Fit:
    """Levenberg-Marquardt on weighted orthogonal distances."""
    damping = 1e-4
    size, cost = float(fit.state[2:4].max()), float(weights @ (fit.off * fit.off))
    for _ in range(rounds):
        weighted = fit.slope * weights
        normal = weighted @ fit.slope.T
        diagonal = normal.reshape(-1)[::6]
        diagonal += damping * (diagonal + 1e-12)
        step = np.linalg.solve(normal, -(weighted @ fit.off))
        state = fit.state + step
        if state[2] <= 0 or state[3] <= 0:
            damping *= 10
            continue
        trial = _fit_at(points, state, fit.feet)
        trial_cost = float(weights @ (trial.off * trial.off))
        if trial_cost <= cost:
            fit, cost, damping = trial, trial_cost, damping * 0.1
        else:
            damping *= 10
        if max(map(abs, step[:4].tolist())) < 1e-10 * size or damping > 1e10:
            break
    return fit


def _fit_at(points: Points, state: NDArray[np.float64], feet: NDArray[np.float64] | None = None) -> _Fit:
    """Distances and slopes at a state.

    The feet are found by stepping along the evolute, which converges in a few rounds from everywhere (the quadrant
    form needs no care near the axes), and in fewer from the feet on an ellipse that was nearly the same.
    """
    one, two, angle = state[2:].tolist()
    cos, sin = np.cos(angle), np.sin(angle)
    local = np.array([[cos, sin], [-sin, cos]]) @ (points - state[:2]).T
    place = np.abs(local)
    half_axes = np.array([[one], [two]])
    bend = np.array([[one * one - two * two], [two * two - one * one]]) / half_axes
    at = np.full_like(place, np.sqrt(0.5)) if feet is None else feet
    for _ in range(5 if feet is None else 2):
        evolute = bend * (at * at * at)
        arm, beyond = half_axes * at - evolute, place - evolute
        stretch = np.sqrt((arm * arm).sum(axis=0) / np.maximum((beyond * beyond).sum(axis=0), 1e-300))
        at = np.minimum(np.maximum((beyond * stretch + evolute) / half_axes, 0), 1)
        at /= np.sqrt(np.maximum((at * at).sum(axis=0), 1e-300))
    signed = np.copysign(at, local)
    normal = half_axes[::-1] * signed
    normal /= np.sqrt((normal * normal).sum(axis=0))
    foot = half_axes * signed
    slope = np.empty((5, len(points)))
    slope[:2] = np.array([[-cos, sin], [-sin, -cos]]) @ normal
    slope[2:4] = -normal * signed
    slope[4] = normal[0] * foot[1] - normal[1] * foot[0]
    return _Fit(state, ((local - foot) * normal).sum(axis=0), slope, at)
