"""Lives of a population that is known by counts of parts fitted: the returns among them failed, the rest still run."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.figures.asked import Asked, Back
from wearvision_api.figures.life import Life
from wearvision_api.store.return_tables import Fitted

Unit = Literal["h", "d"]
Key = tuple[str, str]
UNITS: dict[Unit, str] = {"h": "running hours", "d": "days"}


@dataclass(slots=True)
class Cohort:
    """Parts of one lot that began to run on one day.

    Attributes:
        part_number: Empty: of any number.
        lot: Empty: of any lot.
        since: Day from which they run.
        count: How many.
        hours_a_day: Of a machine, on average; None: unknown.
        back: How many of them came back.
    """

    part_number: str
    lot: str
    since: date
    count: int
    hours_a_day: float | None
    back: int = 0


@dataclass(frozen=True, slots=True)
class Group:
    """Lives of one part number and lot.

    Attributes:
        lives: All of its parts.
        fitted: How many there are.
        failed: How many count as failed.
    """

    lives: tuple[Life, ...]
    fitted: int
    failed: int


@dataclass(frozen=True, slots=True)
class Population:
    """Lives of a population, and what must be known to read them.

    Attributes:
        unit: Of the lives, ``h`` or ``d``.
        groups: By part number and lot.
        notes: Sentences for a person.
    """

    unit: Unit
    groups: dict[Key, Group]
    notes: tuple[str, ...] = ()

    @property
    def lives(self) -> list[Life]:
        """All of them."""
        return [life for group in self.groups.values() for life in group.lives]


@dataclass(slots=True)
class _Tally:
    """What is found on the way that a reader must know."""

    strangers: int = 0
    too_many: int = 0
    ageless: int = 0
    counts: dict[Key, Counter[tuple[float, float | None]]] = field(default_factory=lambda: defaultdict(Counter))


def cohorts(session: Session, asked: Asked) -> list[Cohort]:
    """The population on record for what is asked, by day; parts that are fitted later than ``as_of`` are left out."""
    query = select(Fitted.part_number, Fitted.lot, Fitted.since, Fitted.count, Fitted.hours_a_day)
    query = query.where(Fitted.part == asked.part, Fitted.since <= asked.as_of)
    for column, wanted in ((Fitted.part_number, asked.part_number), (Fitted.lot, asked.lot)):
        if wanted:
            query = query.where(column == wanted)
    return [Cohort(*row) for row in session.execute(query.order_by(Fitted.since, Fitted.id))]


def population(known: Sequence[Cohort], backs: Iterable[Back], asked: Asked) -> Population | None:
    """Puts each return into the cohort that it came from; what is left of each still runs.

    A return goes to its own part number and lot, else to a cohort whose lot, or number and lot, is not told; among
    these to the newest that ran before the part was fitted and is not used up.

    Args:
        known: Cohorts by day.
        backs: Returns of the same part.
        asked: Which failures count, and up to when.

    Returns:
        None where nothing is known of how many were fitted.
    """
    if not known:
        return None
    unit: Unit = "h" if all(one.hours_a_day for one in known) else "d"
    by_key: dict[Key, list[Cohort]] = defaultdict(list)
    for one in known:
        by_key[one.part_number, one.lot].append(one)
    tally = _Tally()
    failed: Counter[Key] = Counter()
    for back in backs:
        home = _home(by_key, back)
        if home is None:
            is_known = bool(_rows(by_key, back))
            tally.too_many += is_known
            tally.strangers += not is_known
            continue
        home.back += 1
        low, high = ends = _ends(back, home, unit)
        tally.ageless += low == 0 and high > 1
        key = home.part_number, home.lot
        if asked.counts(back.cause):
            failed[key] += 1
            tally.counts[key][ends] += 1
        else:
            tally.counts[key][low, None] += 1
    for one in known:
        if one.count > one.back:
            tally.counts[one.part_number, one.lot][_ran(one, asked.as_of, unit), None] += one.count - one.back
    groups = {
        key: Group(
            tuple(Life(low, high, count) for (low, high), count in tally.counts[key].items()),
            sum(one.count for one in rows),
            failed[key],
        )
        for key, rows in sorted(by_key.items())
    }
    return Population(unit, groups, tuple(_notes(tally, unit, asked)))


def _rows(by_key: dict[Key, list[Cohort]], back: Back) -> list[Cohort]:
    return next((by_key[key] for key in (back.key, (back.part_number, ""), ("", "")) if key in by_key), [])


def _home(by_key: dict[Key, list[Cohort]], back: Back) -> Cohort | None:
    began = back.installed_on or back.failed_on or back.returned_on
    free = [one for one in _rows(by_key, back) if one.back < one.count]
    return next((one for one in reversed(free) if one.since <= began), free[0] if free else None)


def _ran(one: Cohort, until: date, unit: Unit) -> float:
    days = max((until - one.since).days, 0)
    return float(round(days * (one.hours_a_day or 0))) if unit == "h" else float(days)


def _ends(back: Back, home: Cohort, unit: Unit) -> tuple[float, float]:
    """When it was last known to run, and when it had failed."""
    if unit == "h" and back.age_h is not None:
        return _not_at_nought(round(back.good_h if back.good_h is not None else back.age_h), round(back.age_h))
    began = back.installed_on or home.since
    pace = (home.hours_a_day or 0) if unit == "h" else 1.0
    if back.failed_on is not None and back.failed_on >= began:
        age = round((back.failed_on - began).days * pace)
        return _not_at_nought(age, age)
    return 0.0, float(max(round((back.returned_on - began).days * pace), 1))


def _not_at_nought(low: float, high: float) -> tuple[float, float]:
    """Ages are known to a whole hour or day: what failed at 0 failed within the first half."""
    return (0.5, 0.5) if high == 0 else (float(low), float(high))


def _notes(tally: _Tally, unit: Unit, asked: Asked) -> Iterable[str]:
    if unit == "h":
        yield "Parts still running are taken to have run the stated hours a day, each alike; some ran more, some less."
    else:
        yield "Ages are in days, because the running hours a day are not known for every line of the population."
    yield "A part that failed and was not brought back counts as still running, so lives may look longer than they are."
    if asked.cause:
        yield f"Returns of other classes than {asked.cause} count as good until they were taken out."
    if tally.ageless:
        yield f"{tally.ageless} returns have no age; they are only known to have failed before they came back."
    if tally.strangers:
        yield f"{tally.strangers} returns belong to no line of the population and are left out."
    if tally.too_many:
        yield f"{tally.too_many} more came back than were fitted; they are left out. Complete the population."
