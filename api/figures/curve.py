"""The share of parts still running over time, without a formula: Kaplan-Meier, or Turnbull for lives between two times.

Own code, because counts must be taken as counts and SciPy's product limit takes none; the tests hold the two together.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wearvision_api.figures.life import Life, Unsaid, merged

NORMAL_95 = 1.959963984540054
Matrix = NDArray[np.float64]
CLOSE = 1e-8
"""No shift of mass raises the mean log-likelihood by more than this: then it is found."""
TRACE = 1e-3
"""Mass of less than this share of one part is on its way to none."""
NOTHING = 1e-12
FIRST_ROUNDS = 20
MOST_ROUNDS = 200
MOST_CELLS = 300_000
"""Lives times places at which mass can lie; above it, times are rounded first."""
GRID = 400


@dataclass(frozen=True, slots=True)
class Step:
    """One drop of the curve.

    Attributes:
        time: By then the share has fallen.
        since: It falls after this time; equal to ``time`` for failures at a known time.
        survival: Share still running after it.
        low: Lower end of the 95 % interval; None where none is defined.
        high: Upper end.
        failures: Failures at this time; None where they are only known to lie between two times.
        at_risk: Parts that could fail then; None likewise.
    """

    time: float
    since: float
    survival: float
    low: float | None
    high: float | None
    failures: int | None
    at_risk: int | None


@dataclass(frozen=True, slots=True)
class Curve:
    """Share still running over time.

    Attributes:
        steps: In the order of time; before the first the share is 1.
        running: Times at which parts still ran, and how many.
        method: ``Kaplan-Meier`` or ``Turnbull``.
        failures: Parts that failed.
        parts: All parts.
        rounded: To how much times were rounded; 0: they were not.
    """

    steps: tuple[Step, ...]
    running: tuple[tuple[float, int], ...]
    method: str
    failures: int
    parts: int
    rounded: float = 0.0

    @property
    def last(self) -> float:
        """The latest time at which anything was seen."""
        return max([step.time for step in self.steps] + [time for time, _ in self.running])

    def at(self, time: float) -> float:
        """Share still running at a time ≥ 0."""
        place = bisect_right([step.time for step in self.steps], time)
        return self.steps[place - 1].survival if place else 1.0

    def hazards(self) -> tuple[list[float], list[float]]:
        """Times of the drops, and the cumulative hazard after each: Nelson-Aalen's sum of drop over share before."""
        before, total = 1.0, 0.0
        times, sums = [], []
        for step in self.steps:
            total += (before - step.survival) / before
            before = step.survival
            times.append(step.time)
            sums.append(total)
        return times, sums

    def reached(self, share: float) -> float | None:
        """The first time at which no more than this share still runs; None: not seen."""
        return next((step.time for step in self.steps if step.survival <= share + 1e-12), None)


def survival_curve(lives: Iterable[Life]) -> Curve | Unsaid:
    """Kaplan-Meier where every failure's time is known, else Turnbull; or why neither can be said."""
    rows = merged(lives)
    if not any(life.failed for life in rows):
        parts = sum(life.count for life in rows)
        return Unsaid(
            f"None of {parts} parts has failed: no curve falls." if parts else "There are no lives on record."
        )
    return kaplan_meier(rows) if all(life.exact for life in rows if life.failed) else turnbull(rows)


def kaplan_meier(lives: Iterable[Life]) -> Curve:
    """Share still running, with 95 % intervals by Greenwood's variance on the log-minus-log scale.

    Args:
        lives: Exact or right-censored, one failure at least. One that still ran when another failed counts as at risk.

    Raises:
        ValueError: a life lies between two times, or none has failed.

    Source: Kaplan and Meier, 1958; Greenwood, 1926; log-minus-log interval after Kalbfleisch and Prentice, 1980 (from
    memory).
    """
    rows = merged(lives)
    if any(life.failed and not life.exact for life in rows) or not any(life.failed for life in rows):
        raise ValueError("Kaplan-Meier takes exact and right-censored lives, at least one of them a failure")
    failed: dict[float, int] = {}
    for life in rows:
        if life.failed:
            failed[life.low] = failed.get(life.low, 0) + life.count
    ends = np.array([life.low for life in rows])
    counts = np.array([life.count for life in rows])
    from_here = np.append(np.cumsum(counts[::-1])[::-1], 0)  # rows are in the order of time
    share, variance, steps = 1.0, 0.0, []
    for time in sorted(failed):
        at_risk, failures = int(from_here[np.searchsorted(ends, time)]), failed[time]
        share *= (at_risk - failures) / at_risk
        low = high = None
        if at_risk > failures:
            variance += failures / (at_risk * (at_risk - failures))
            reach = NORMAL_95 * math.sqrt(variance) / abs(math.log(share))
            low, high = share ** math.exp(reach), share ** math.exp(-reach)
        steps.append(Step(time, time, share, low, high, failures, at_risk))
    return Curve(tuple(steps), _running(rows), "Kaplan-Meier", sum(failed.values()), int(counts.sum()))


def turnbull(lives: Iterable[Life]) -> Curve:
    """Share still running where failures lie between two times: the nonparametric maximum likelihood estimate.

    Mass can lie only in Turnbull's innermost intervals; after some of his self-consistency rounds, constrained Newton
    rounds go on until no shift of mass raises the likelihood (the gradient conditions of Gentleman and Geyer). Inside
    an interval the curve is not known; here it falls at the interval's end. No interval of the curve is given:
    Greenwood's does not hold for such lives.

    Args:
        lives: Of any censoring, one failure at least.

    Raises:
        ValueError: none has failed.

    Source: Turnbull, 1976; Gentleman and Geyer, 1994; rounds after Wang, 2007 (from memory).
    """
    rows = merged(lives)
    if not any(life.failed for life in rows):
        raise ValueError("there is no failure to place")
    spans, rounded = _innermost(rows), 0.0
    if len(spans) * len(rows) > MOST_CELLS:
        rounded = max(life.low if life.high is None else life.high for life in rows) / GRID
        rows = merged(_on_grid(life, rounded) for life in rows)
        spans = _innermost(rows)
    mass = _settled(rows, spans)
    parts = sum(life.count for life in rows)
    share, steps = 1.0, []
    for (since, time), weight in zip(spans, mass, strict=True):
        if math.isfinite(time) and weight * parts > TRACE:
            share -= float(weight)
            share = share if share * parts > TRACE else 0.0
            steps.append(Step(time, since, share, None, None, None, None))
    failures = sum(life.count for life in rows if life.failed)
    return Curve(tuple(steps), _running(rows), "Turnbull", failures, parts, rounded)


def _running(rows: list[Life]) -> tuple[tuple[float, int], ...]:
    return tuple((life.low, life.count) for life in rows if not life.failed)


def _on_grid(life: Life, step: float) -> Life:
    low = math.floor(life.low / step) * step
    if life.high is None:
        return Life(low, None, life.count)
    return Life(low, max(math.ceil(life.high / step), 1) * step, life.count)


def _innermost(rows: list[Life]) -> list[tuple[float, float]]:
    """Turnbull's intervals: from a left end to the next right end, with no other end between.

    A life lies in (low, high]; one at a known time is that time alone, and comes before what begins there.
    """
    ends: list[tuple[float, int, bool]] = []
    for life in rows:
        high = math.inf if life.high is None else life.high
        # At one time: exact beginnings, then ends, then open beginnings.
        ends.append((life.low, 0 if life.exact else 2, True))
        ends.append((high, 1, False))
    ends.sort()
    return [(before[0], after[0]) for before, after in pairwise(ends) if before[2] and not after[2]]


def _settled(rows: list[Life], spans: list[tuple[float, float]]) -> Matrix:
    """The mass of each interval."""
    since, until = np.array(spans, float).T
    low = np.array([life.low for life in rows])[:, None]
    high = np.array([math.inf if life.high is None else life.high for life in rows])[:, None]
    exact = np.array([life.exact for life in rows])[:, None]
    point = (since == until)[None, :]
    inside = np.where(exact, point & (since == low), (since >= low) & (until <= high) & ~(point & (since == low)))
    share = np.array([life.count for life in rows], float)
    share /= share.sum()
    return _grown(inside.astype(float), share)


def _grown(held: Matrix, share: Matrix) -> Matrix:
    """The masses, adding up to 1, that make the lives likeliest.

    Args:
        held: Per life and interval 1 where the life may have ended in the interval, else 0.
        share: Of all parts, per life.
    """
    from scipy.optimize import nnls  # takes a second to load, and few requests need it

    mass: Matrix = np.full(held.shape[1], 1.0 / held.shape[1])
    for _ in range(FIRST_ROUNDS):
        mass = mass * (held.T @ (share / (held @ mass)))
    for _ in range(MOST_ROUNDS):
        chance = held @ mass
        gradient = held.T @ (share / chance)
        if gradient.max() - 1 <= CLOSE:
            break
        used = (mass > 0) | (gradient > 1)
        # Second order in the masses, the sum of 1 as one row more: least squares with no negative mass.
        rows = np.sqrt(share)[:, None] * (held[:, used] / chance[:, None] - 2)
        found, _ = nnls(np.vstack([rows, np.ones(rows.shape[1])]), np.append(np.zeros(len(rows)), 1.0))
        way = -mass
        way[used] += found / found.sum()
        here, length = share @ np.log(chance), 1.0
        while length > 1e-6 and not _mean_log(held, share, mass + length * way) > here:
            length /= 2
        mass = mass + length * way if length > 1e-6 else mass * gradient
        mass[mass < NOTHING] = 0.0
        mass /= mass.sum()
    return mass


def _mean_log(held: Matrix, share: Matrix, mass: Matrix) -> float:
    chance = held @ mass
    return float(share @ np.log(chance)) if (chance > 0).all() else -math.inf
