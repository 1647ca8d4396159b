"""A straight line through a measure over running hours, and when it reaches a limit; pure functions on NumPy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class Line:
    """A least-squares line y = intercept + slope x.

    Attributes:
        slope: Per unit of x.
        intercept: At x = 0.
        scatter: Standard deviation of the residuals, n - 2 degrees of freedom.
        n: Points.
        mean_x: Mean of x.
        spread_x: Sum of squares of x about its mean, > 0.
    """

    slope: float
    intercept: float
    scatter: float
    n: int
    mean_x: float
    spread_x: float

    @property
    def slope_error(self) -> float:
        """Standard error of the slope."""
        return self.scatter / math.sqrt(self.spread_x)

    def at(self, x: float) -> float:
        """The line's height."""
        return self.intercept + self.slope * x

    def prediction(self, x: float, level: float = 0.95) -> tuple[float, float]:
        """Interval that holds one new observation at x with probability ``level``, if the errors are normal."""
        reach = t_quantile((1 + level) / 2, self.n - 2) * self.scatter
        half = reach * math.sqrt(1 + 1 / self.n + (x - self.mean_x) ** 2 / self.spread_x)
        return self.at(x) - half, self.at(x) + half

    def crossing(self, limit: float, level: float = 0.95) -> tuple[float, float, float] | None:
        """Where the line reaches a limit: estimate and interval (inverse prediction).

        The interval's ends are where the two prediction bounds reach the limit.

        Args:
            limit: Height to reach.
            level: Of the prediction interval.

        Returns:
            x, earliest and latest; None where the slope is not clearly positive at this level, as the interval
            then has no end.

        Source: E. C. Fieller, 'Some problems in interval estimation', J. R. Stat. Soc. B 16 (1954); from memory.
        """
        reach = t_quantile((1 + level) / 2, self.n - 2) * self.scatter
        lead = self.slope**2 - reach**2 / self.spread_x
        if self.slope <= 0 or lead <= 0:
            return None
        rise = limit - self.at(self.mean_x)
        root = reach * math.sqrt(lead * (1 + 1 / self.n) + rise**2 / self.spread_x)
        ends = [self.mean_x + (self.slope * rise + sign * root) / lead for sign in (-1, 1)]
        return self.mean_x + rise / self.slope, ends[0], ends[1]


def fit_line(x: ArrayLike, y: ArrayLike, *, least_scatter: float = 0.0) -> Line:
    """Ordinary least squares.

    Args:
        x: (n,) with n ≥ 3, not all equal.
        y: (n,).
        least_scatter: Scatter that is known from elsewhere; a smaller one of the residuals is not believed.

    Raises:
        ValueError: too few points, all at one place, or numbers that are not finite.
    """
    across, up = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if across.ndim != 1 or across.shape != up.shape or len(across) < 3:
        raise ValueError(f"a line with scatter needs three points or more, not {across.shape} and {up.shape}")
    if not (np.isfinite(across).all() and np.isfinite(up).all()):
        raise ValueError("points must be finite numbers")
    mean_x, mean_y = float(across.mean()), float(up.mean())
    off = across - mean_x
    spread = float(off @ off)
    if spread <= 0:
        raise ValueError("all points lie at one place")
    slope = float(off @ (up - mean_y)) / spread
    residual = up - mean_y - slope * off
    scatter = math.sqrt(float(residual @ residual) / (len(across) - 2))
    return Line(slope, mean_y - slope * mean_x, max(scatter, least_scatter), len(across), mean_x, spread)


def t_cdf(t: float, freedom: int) -> float:
    """Student's t distribution for whole degrees of freedom ≥ 1.

    Source: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (finite series).
    """
    angle = math.atan(abs(t) / math.sqrt(freedom))
    sine, cosine = math.sin(angle), math.cos(angle)
    if freedom % 2:
        term, total = cosine, 0.0
        for k in range(3, freedom + 1, 2):
            total += term
            term *= cosine**2 * (k - 1) / k
        inside = 2 / math.pi * (angle + sine * total)
    else:
        term, total = 1.0, 0.0
        for k in range(2, freedom + 1, 2):
            total += term
            term *= cosine**2 * (k - 1) / k
        inside = sine * total
    return 0.5 + math.copysign(inside / 2, t)


@cache
def t_quantile(share: float, freedom: int) -> float:
    """The t below which the stated share of Student's distribution lies, to 1e-10 relative.

    Args:
        share: In (0.5, 1).
        freedom: Degrees of freedom ≥ 1.

    Raises:
        ValueError: an argument is out of its range.
    """
    if not 0.5 < share < 1 or freedom < 1:
        raise ValueError(f"share must lie in (0.5, 1) and freedom be 1 or more, not {share} and {freedom}")
    low, high = 0.0, 1.0
    while t_cdf(high, freedom) < share:
        low, high = high, 2 * high
    while high - low > 1e-11 * high:
        middle = (low + high) / 2
        if t_cdf(middle, freedom) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2
