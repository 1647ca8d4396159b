"""Ellipses through points, the tilt that an ellipse tells, and taking that tilt out of a shape.

A round thing seen at a tilt is an ellipse whose minor over major axis is the cosine of the tilt.
Points are (N, 2) in any one order of axes, and centres and angles come back in that order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    weights = np.ones(len(array))
    found = _descend(array, start, weights, 3 if robust else rounds)
    if not robust:
        off, _ = _distances(array, _state(found))
        return _with_rms(found, float(np.sqrt(np.mean(off * off))), 1.0)
    off, _ = _distances(array, _state(found))
    # Least absolute distances first: a start from least squares would be smeared over a wide dent and keep it.
    for turn in range(10):
        spread = max(1.4826 * float(np.median(np.abs(off))), NOISE_FLOOR * found.major)
        if turn < 6:
            weights = spread / np.maximum(np.abs(off), 0.1 * spread)
        else:
            weights = np.maximum(1 - (off / (4.685 * spread)) ** 2, 0) ** 2
        found = _descend(array, found, weights, 2)
        off, _ = _distances(array, _state(found))
    held = weights > 0.05
    return _with_rms(found, float(np.sqrt(np.mean(off[held] ** 2))), float(held.mean()))


def _with_rms(ellipse: Ellipse, rms: float, share: float) -> Ellipse:
    return Ellipse(ellipse.centre, ellipse.major, ellipse.minor, ellipse.angle_rad, rms, share)


def _state(ellipse: Ellipse) -> NDArray[np.float64]:
    return np.array([*ellipse.centre, ellipse.major, ellipse.minor, ellipse.angle_rad])


def _descend(points: Points, start: Ellipse, weights: NDArray[np.float64], rounds: int) -> Ellipse:
    """Levenberg-Marquardt on weighted orthogonal distances."""
    state, damping = _state(start), 1e-4
    off, slope = _distances(points, state)
    size = start.major
    for _ in range(rounds):
        normal, pull = (slope * weights[:, None]).T @ slope, (slope * weights[:, None]).T @ off
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -pull)
        trial = state + step
        if trial[2] <= 0 or trial[3] <= 0:
            damping *= 10
            continue
        trial_off, trial_slope = _distances(points, trial)
        if weights @ trial_off**2 <= weights @ off**2:
            state, off, slope, damping = trial, trial_off, trial_slope, damping * 0.1
        else:
            damping *= 10
        if np.abs(step[:4]).max() < 1e-10 * size or damping > 1e10:
            break
    major, minor, angle = state[2], state[3], state[4]
    if minor > major:
        major, minor, angle = minor, major, angle + np.pi / 2
    return Ellipse((float(state[0]), float(state[1])), float(major), float(minor), float(angle % np.pi))


def _distances(points: Points, state: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Signed orthogonal distances, positive outside, and their slopes by centre, half axes and angle, (N, 5).

    The foot of the perpendicular is found by stepping along the evolute, which converges in a few
    rounds from everywhere (the quadrant form needs no care near the axes).
    """
    one, two, angle = state[2], state[3], state[4]
    cos, sin = np.cos(angle), np.sin(angle)
    away = points - state[:2]
    along, across = away[:, 0] * cos + away[:, 1] * sin, -away[:, 0] * sin + away[:, 1] * cos
    x, y = np.abs(along), np.abs(across)
    cos_t, sin_t = np.full_like(x, np.sqrt(0.5)), np.full_like(x, np.sqrt(0.5))
    bulge = one * one - two * two
    for _ in range(5):
        evolute_x, evolute_y = bulge * cos_t**3 / one, -bulge * sin_t**3 / two
        reach = np.hypot(one * cos_t - evolute_x, two * sin_t - evolute_y)
        away_x, away_y = x - evolute_x, y - evolute_y
        length = np.maximum(np.hypot(away_x, away_y), 1e-300)
        cos_t = np.minimum(np.maximum((away_x * reach / length + evolute_x) / one, 0), 1)
        sin_t = np.minimum(np.maximum((away_y * reach / length + evolute_y) / two, 0), 1)
        length = np.maximum(np.hypot(cos_t, sin_t), 1e-300)
        cos_t, sin_t = cos_t / length, sin_t / length
    cos_t, sin_t = np.copysign(cos_t, along), np.copysign(sin_t, across)
    normal_x, normal_y = two * cos_t, one * sin_t
    length = np.hypot(normal_x, normal_y)
    normal_x, normal_y = normal_x / length, normal_y / length
    foot_x, foot_y = one * cos_t, two * sin_t
    off = (along - foot_x) * normal_x + (across - foot_y) * normal_y
    slope = -np.column_stack(
        [
            normal_x * cos - normal_y * sin,
            normal_x * sin + normal_y * cos,
            normal_x * cos_t,
            normal_y * sin_t,
            normal_y * foot_x - normal_x * foot_y,
        ]
    )
    return off, slope
