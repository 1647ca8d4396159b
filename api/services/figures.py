"""Figures over the returns: life, lots and months, each with what cannot be said and why; the population they need."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from sqlalchemy.orm import Session

from wearvision_api.figures.asked import Asked, Back, returns
from wearvision_api.figures.curve import Curve, survival_curve
from wearvision_api.figures.inspected import inspected
from wearvision_api.figures.life import Life, Unsaid
from wearvision_api.figures.lots import LotCount, LotFigure, compare_rates, compare_shares
from wearvision_api.figures.months import By, Month, months
from wearvision_api.figures.population import Group, Key, Population, Unit, cohorts, population
from wearvision_api.figures.weibull import Fit, weibull

ALONE = (
    "Returns alone say nothing about how long parts live: those that still run are missing. Record how many were "
    "fitted or sold, with dates, or inspect parts at machines; until then only the ages of the returns are shown."
)
Source = Literal["fitted", "inspections", "none"]
ONE_LOT = "A lot is compared with others: there is only one here."
NO_FAILURE = "None of these parts has failed, so no lot can stand out."


@dataclass(frozen=True, slots=True)
class Ages:
    """Ages of the returns, which are no lives: in hours where meters were read, else in days.

    Attributes:
        unit: ``h`` or ``d``.
        known: How many returns have an age.
        least: The youngest; None where there is none.
        middle: The median.
        most: The oldest.
    """

    unit: Unit
    known: int
    least: float | None
    middle: float | None
    most: float | None


@dataclass(frozen=True, slots=True)
class LifeFigure:
    """How long parts live.

    Attributes:
        source: What the population comes from; ``none``: there is none.
        unit: Of times, ``h`` or ``d``.
        returns: Returns asked for, whatever their cause.
        parts: Parts in the population, those that still run included.
        failures: Of these, how many failed.
        weibull: Fit, or why there is none.
        curve: Share still running, or why there is none.
        ages: Of the returns.
        notes: Sentences that a reader must know.
    """

    source: Source
    unit: Unit
    returns: int
    parts: int
    failures: int
    weibull: Fit | Unsaid
    curve: Curve | Unsaid
    ages: Ages
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LotsFigure:
    """Whether a lot is worse than the others.

    Attributes:
        basis: ``fitted``: failures of each lot beside what its age lets expect; ``returns``: the share of one class
            of cause among each lot's returns, where no population is on record.
        cause: The class that counts; empty: any.
        lots: Worst first, by part number and lot; empty with ``reason``.
        reason: Why lots cannot be compared; empty where they are.
        notes: Sentences that a reader must know.
    """

    basis: Literal["fitted", "returns"]
    cause: str
    lots: tuple[tuple[Key, LotFigure], ...]
    reason: str
    notes: tuple[str, ...]


def life(session: Session, asked: Asked) -> LifeFigure:
    """Lives of what is asked for: from parts fitted, else from inspections, else the ages of the returns only."""
    known = cohorts(session, asked)
    watch = _Watch(asked)
    passing = watch.over(returns(session, asked))
    source: Source = "fitted"
    found = population(known, passing, asked) if known else None
    if found is None:
        found, source = inspected(session, passing, asked), "inspections"
    ages = watch.ages()
    if found is None:
        none = Unsaid(ALONE)
        return LifeFigure("none", ages.unit, watch.returns, 0, 0, none, none, ages, ())
    lives = found.lives
    return LifeFigure(
        source=source,
        unit=found.unit,
        returns=watch.returns,
        parts=sum(one.count for one in lives),
        failures=sum(one.count for one in lives if one.failed),
        weibull=weibull(lives),
        curve=survival_curve(lives),
        ages=ages,
        notes=found.notes,
    )


def lots(session: Session, asked: Asked) -> LotsFigure:
    """Each lot beside the rest; ``asked.lot`` is not looked at."""
    everything = Asked(asked.part, asked.as_of, asked.part_number, "", asked.cause)
    backs = returns(session, everything)
    found = population(cohorts(session, everything), backs, everything)
    return _by_population(found, asked.cause) if found is not None else _by_returns(backs, asked.cause)


def by_month(session: Session, asked: Asked, by: By) -> list[Month]:
    """Returns by month and group, newest month first."""
    return months(returns(session, asked), cohorts(session, asked), by, asked)


def _by_population(found: Population, cause: str) -> LotsFigure:
    keys = list(found.groups)
    if len(keys) < 2:
        return LotsFigure("fitted", cause, (), ONE_LOT, found.notes)
    curve = survival_curve(found.lives)
    if isinstance(curve, Unsaid):
        return LotsFigure("fitted", cause, (), NO_FAILURE, found.notes)
    times, hazards = curve.hazards()
    counts = [_count(str(place), found.groups[key], times, hazards) for place, key in enumerate(keys)]
    figures = tuple((keys[int(one.name)], one) for one in compare_rates(counts))
    note = "Expected is what a lot of this size and age would have lost if all lots lived alike."
    return LotsFigure("fitted", cause, figures, "", (note, *found.notes))


def _count(name: str, group: Group, times: Sequence[float], hazards: Sequence[float]) -> LotCount:
    def hazard(one: Life) -> float:
        until = one.low if one.high is None else (one.low + one.high) / 2
        place = bisect_right(times, until)
        return hazards[place - 1] if place else 0.0

    expected = sum(one.count * hazard(one) for one in group.lives)
    return LotCount(name, group.failed, sum(one.count for one in group.lives), expected)


def _by_returns(backs: Iterable[Back], cause: str) -> LotsFigure:
    counted = cause or "defect"
    of: Counter[Key] = Counter()
    found: Counter[Key] = Counter()
    for one in backs:
        of[one.key] += 1
        found[one.key] += one.cause == counted
    note = (
        f"How many were fitted of each lot is not on record, so this is the share of the class {counted} among the "
        "returns of each lot. It does not say how often a lot fails."
    )
    keys = sorted(of)
    if len(keys) < 2:
        return LotsFigure("returns", counted, (), ONE_LOT if keys else "There is no return.", (note,))
    if not found.total():
        return LotsFigure("returns", counted, (), f"No return is of the class {counted}.", (note,))
    counts = [LotCount(str(place), found[key], of[key]) for place, key in enumerate(keys)]
    figures = tuple((keys[int(one.name)], one) for one in compare_shares(counts))
    return LotsFigure("returns", counted, figures, "", (note,))


class _Watch:
    """Counts returns and keeps their ages while they pass, so that they are read once and none is kept."""

    def __init__(self, asked: Asked) -> None:
        self.asked, self.returns = asked, 0
        self.hours, self.days = array("d"), array("d")

    def over(self, backs: Iterable[Back]) -> Iterator[Back]:
        for one in backs:
            self.returns += 1
            if self.asked.counts(one.cause):
                if one.age_h is not None:
                    self.hours.append(one.age_h)
                ended = one.failed_on or one.returned_on
                if one.installed_on is not None and ended >= one.installed_on:
                    self.days.append((ended - one.installed_on).days)
            yield one

    def ages(self) -> Ages:
        unit: Unit = "h" if len(self.hours) >= len(self.days) else "d"
        ages = sorted(self.hours if unit == "h" else self.days)
        if not ages:
            return Ages(unit, 0, None, None, None)
        return Ages(unit, len(ages), ages[0], median(ages), ages[-1])
