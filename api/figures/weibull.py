"""A Weibull distribution of lives by maximum likelihood, with intervals from the profile likelihood.

SciPy's own ``weibull_min.fit`` takes no counts, and a lot of ten thousand parts that still run is one line here; its
optimiser and its distributions are used, and the tests hold the two fits together. The packages that fit censored
lives with counts would bring a data-frame library and a plotting library into the service.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision_api.figures.life import Life, Unsaid, merged

LEVEL = 0.95
LEAST_FAILURES = 3
"""Fewer carry no shape worth showing (own choice, no published source)."""
SHAPES = 0.02, 60.0
"""Range of shapes looked at; at an end of it the data do not fix the shape."""
FLAT = 1e-3
"""A log-likelihood that falls by no more than this from the estimate to an end of ``SHAPES`` fixes no shape."""
REACH = 1e6
"""An interval's end is looked for up to this factor from the estimate; beyond it, it is open."""
B10_HAZARD = -math.log(0.9)
"""Cumulative hazard at which one part in ten has failed."""
TOO_CLOSE = "The failures lie too close together, or in too few intervals, to tell how lives spread."
STEEP = 600.0
"""Where the exponential is carried on as a straight line: the optimiser needs a slope, and a float ends at e**709."""
Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bounds:
    """An estimate with the interval that holds the true value at ``LEVEL``; None: that end is open."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Fit:
    """Lives after Weibull: the share still running at t is exp(-(t / scale) ** shape).

    Attributes:
        shape: Below 1 early failures, about 1 failures by chance, above 1 wearing out.
        scale: Time by which 63 % have failed, in the lives' unit.
        b10: Time by which 10 % have failed, in the lives' unit.
        failures: Parts that failed.
        running: Parts that still ran.
        last: The latest time at which anything was seen; what lies beyond is carried on, not seen.
    """

    shape: Bounds
    scale: Bounds
    b10: Bounds
    failures: int
    running: int
    last: float

    def survival(self, time: float) -> float:
        """Share still running at a time ≥ 0."""
        return math.exp(-((time / self.scale.value) ** self.shape.value))


def weibull(lives: Iterable[Life], *, level: float = LEVEL) -> Fit | Unsaid:
    """Fits a Weibull distribution to lives of any censoring.

    Args:
        lives: Of one population; those that still run belong to it.
        level: Of the intervals, between 0 and 1.

    Returns:
        The fit, or why none can be said.

    Source: likelihood of censored lives after Nelson, Applied Life Data Analysis, 1982; it is log-concave in shape and
    shape times log scale (Burridge, 1981), so that its maximum is the only one; profile intervals by Wilks' theorem
    (from memory).
    """
    rows = merged(lives)
    failures = sum(life.count for life in rows if life.failed)
    if failures < LEAST_FAILURES:
        return Unsaid(
            f"{failures} failures are too few for a life curve by formula; it takes {LEAST_FAILURES} or more."
        )
    data = _Data(rows)
    best = data.best()
    if best is None:
        return Unsaid(TOO_CLOSE)
    drop = _quantile(level) / 2
    shape = _profile(best.shape, best.likelihood - drop, data.at_shape, SHAPES)
    scale = _profile(best.scale, best.likelihood - drop, lambda value: data.through(value, 1.0))
    tenth = best.scale * B10_HAZARD ** (1 / best.shape)
    b10 = _profile(tenth, best.likelihood - drop, lambda value: data.through(value, B10_HAZARD))
    running = sum(life.count for life in rows if not life.failed)
    last = max(life.low if life.high is None else life.high for life in rows)
    unit = data.unit
    return Fit(shape, _times(scale, unit), _times(b10, unit), failures, running, last)


def _quantile(level: float) -> float:
    from scipy.stats import chi2  # takes a second to load, and few requests need it

    return float(chi2.ppf(level, 1))


def _times(bounds: Bounds, unit: float) -> Bounds:
    low, high = (None if end is None else end * unit for end in (bounds.low, bounds.high))
    return Bounds(bounds.value * unit, low, high)


@dataclass(frozen=True, slots=True)
class _Best:
    shape: float
    scale: float
    likelihood: float


class _Data:
    """Log-likelihood of lives; times are in units of a middling failure, so that powers stay small."""

    def __init__(self, rows: list[Life]) -> None:
        times = [life.high for life in rows if life.high is not None]
        self.unit = float(np.median(times))
        self.exact, self.exact_n = self._logs([(one.low, one.count) for one in rows if one.exact])
        self.running, self.running_n = self._logs([(one.low, one.count) for one in rows if not one.failed])
        between = [(one.low, one.high, one.count) for one in rows if one.high is not None and not one.exact]
        with np.errstate(divide="ignore"):  # the logarithm of 0: good from the start on
            self.low, self.between_n = self._logs([(low, n) for low, _, n in between])
        self.high, _ = self._logs([(high, n) for _, high, n in between])

    def _logs(self, pairs: list[tuple[float, int]]) -> tuple[Vector, Vector]:
        times, counts = np.array(pairs, float).reshape(-1, 2).T
        return np.log(times / self.unit), counts

    def likelihood(self, shape: float, slope: float) -> float:
        """At a shape and ``slope`` = shape times log scale."""

        at = shape * self.exact - slope
        total = np.sum(self.exact_n * (math.log(shape) - self.exact + at - _exp(at)))
        total -= np.sum(self.running_n * _exp(shape * self.running - slope))
        early, late = shape * self.low - slope, shape * self.high - slope
        # Logarithm of the hazard between the two times, which may be too small for a float itself.
        gap = late + np.log(-np.expm1(np.minimum(early - late, -1e-15)))
        falls = np.where(gap < -30, gap, np.log(-np.expm1(-_exp(np.maximum(gap, -30.0)))))
        return float(total + np.sum(self.between_n * (falls - _exp(early))))

    def at_shape(self, shape: float) -> float:
        """Highest log-likelihood at a shape."""
        return -_least(lambda log_scale: -self.likelihood(shape, shape * log_scale), -30.0, 30.0)[1]

    def through(self, time: float, hazard: float) -> float:
        """Highest log-likelihood of those distributions whose cumulative hazard at ``time`` is ``hazard``."""
        log_time, log_hazard = math.log(time), math.log(hazard)
        return -_least(lambda shape: -self.likelihood(shape, shape * log_time - log_hazard), *SHAPES)[1]

    def best(self) -> _Best | None:
        """The maximum; None where an end of ``SHAPES`` does as well."""
        shape, least = _least(lambda value: -self.at_shape(value), *SHAPES)
        if any(self.at_shape(end) > -least - FLAT for end in SHAPES):
            return None
        log_scale, _ = _least(lambda value: -self.likelihood(shape, shape * value), -30.0, 30.0)
        return _Best(shape, math.exp(log_scale), -least)


def _exp(power: Vector) -> Vector:
    kept: Vector = np.exp(np.minimum(power, STEEP)) * (1 + np.maximum(power - STEEP, 0.0))
    return kept


def _least(function: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    """Where a function with one minimum between two ends has it, and its value there."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(function, bounds=(low, high), method="bounded", options={"xatol": 1e-10, "maxiter": 500})
    return float(found.x), float(found.fun)


def _profile(
    value: float, cut: float, highest: Callable[[float], float], within: tuple[float, float] | None = None
) -> Bounds:
    """Where the profile log-likelihood falls to ``cut`` on either side of the estimate."""
    floor, ceiling = within or (value / REACH, value * REACH)

    def end(factor: float) -> float | None:
        from scipy.optimize import brentq

        near = far = value
        while highest(far) > cut:
            if far in (floor, ceiling):
                return None
            near, far = far, min(max(far * factor, floor), ceiling)
            factor *= factor
        return float(brentq(lambda at: highest(at) - cut, near, far, rtol=1e-9))

    return Bounds(value, end(1 / 1.2), end(1.2))
