"""How parts have worn over a machine's running hours, and when a measure reaches its limit, where that can be said."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from wearvision.parts import PARTS
from wearvision.parts.spec import Mode
from wearvision.standard import Limits, Row
from wearvision_api.services.trend import Line, fit_line

LEVEL = 0.95
LEAST_VISITS = 3
REACH = 2.0
"""A line is carried on for this many times the hours that it was seen over, no further."""
NORMAL_95 = 1.96
"""Half width of a 95 % interval in standard deviations: the photos' intervals hold the truth at that rate."""

Began = Literal["first visit", "replaced", "cleaned"]


@dataclass(frozen=True, slots=True)
class Seen:
    """What the photos of one part came to at a visit.

    Attributes:
        grade_id: Of the record.
        part: Key of the part.
        measures: The report's lines.
        done: What was done with the part afterwards; empty where nothing is recorded.
    """

    grade_id: str
    part: str
    measures: Sequence[Mapping[str, Any]]
    done: str = ""


@dataclass(frozen=True, slots=True)
class Visit:
    """A visit with what was seen, in the order of the photos.

    Attributes:
        id: Of the inspection.
        at: When it began.
        hours: Running hours of the machine.
        seen: Its grades.
    """

    id: str
    at: datetime
    hours: float
    seen: tuple[Seen, ...]


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a measure at a visit; ``low`` and ``high`` are the photo's calibrated interval."""

    inspection: str
    grade: str
    at: datetime
    hours: float
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Projection:
    """When a measure reaches its limit, in running hours, with the interval that holds it at ``level``."""

    hours: float
    earliest: float
    latest: float
    level: float = LEVEL


@dataclass(frozen=True, slots=True)
class Series:
    """One measure of one part from its fitting or cleaning on.

    Attributes:
        part: Key of the part.
        measure: Name of the measure.
        mode: Its wear mode, for people.
        unit: ``"1"`` for a ratio.
        began: What it began with.
        ended: What ended it; empty for the one that goes on.
        points: One a visit, by running hours.
        limit: The value at which the worst grade of this mode begins.
        limit_grade: That grade.
        line: The straight line through the points, where there is one.
        projection: When it reaches the limit; None where the data do not carry it.
        reason: Why there is no projection; empty where there is one.
    """

    part: str
    measure: str
    mode: str
    unit: str
    began: Began
    limit: float
    limit_grade: str
    ended: str = ""
    points: tuple[Point, ...] = ()
    line: Line | None = field(default=None, repr=False)
    projection: Projection | None = None
    reason: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        plain = asdict(self)
        del plain["line"]
        plain["limit"] = round(self.limit, 4)
        plain["points"] = [row | {"at": row["at"].isoformat().replace("+00:00", "Z")} for row in plain["points"]]
        return plain


def series_of(visits: Sequence[Visit], limits: Limits) -> tuple[Series, ...]:
    """Follows each measure of each part through the visits.

    A replaced part begins anew; a cleaned one begins anew in what cleaning takes away. Photos taken again at one
    visit replace each other, unless the part was replaced or cleaned between.

    Args:
        visits: By running hours.
        limits: Those in force.
    """
    done: list[Series] = []
    running: dict[tuple[str, str], Series] = {}
    began: dict[tuple[str, str], Began] = {}
    for visit in visits:
        for seen in visit.seen:
            modes = {mode.measure: mode for mode in PARTS[seen.part].modes}
            for line in seen.measures:
                if line.get("value") is None or line["name"] not in modes:
                    continue
                key = seen.part, line["name"]
                if key not in running:
                    running[key] = _begin(modes[line["name"]], limits.row(*key), began.get(key, "first visit"))
                running[key] = _extend(running[key], _point(visit, seen, line))
            for mode in modes.values():
                ended = _ended(seen.done, mode)
                if ended:
                    key = seen.part, mode.measure
                    began[key] = ended
                    if key in running:
                        reason = f"It ends here: the part was {ended}, and nothing was measured since."
                        done.append(replace(running.pop(key), ended=ended, reason=reason))
    current = [_projected(series, limits.row(series.part, series.measure)) for series in running.values()]
    order = [(part.key, mode.measure) for part in PARTS.values() for mode in part.modes]
    return tuple(sorted(done + current, key=lambda one: (order.index((one.part, one.measure)), one.points[0].hours)))


def _ended(done: str, mode: Mode) -> Began | None:
    if done == "replaced":
        return "replaced"
    return "cleaned" if done == "cleaned and refitted" and not mode.permanent else None


def _begin(mode: Mode, row: Row, began: Began) -> Series:
    at, grade = row.splits[-1]
    return Series(row.part, row.measure, mode.title, row.unit, began, at, grade)


def _point(visit: Visit, seen: Seen, line: Mapping[str, Any]) -> Point:
    value = float(line["value"])
    low, high = (float(line[end]) if line.get(end) is not None else value for end in ("low", "high"))
    return Point(visit.id, seen.grade_id, visit.at, visit.hours, value, low, high)


def _extend(series: Series, point: Point) -> Series:
    kept = [one for one in series.points if one.inspection != point.inspection]
    return replace(series, points=(*kept, point))


def _projected(series: Series, row: Row) -> Series:
    """The series with its projection, or with the reason why it has none."""
    if row.any_is_replace or row.clean_from == row.serviceable_below:
        return replace(series, reason="It is there or not: it does not grow along a line, so nothing is projected.")
    hours = sorted({point.hours for point in series.points})
    if len(hours) < LEAST_VISITS:
        since = "the first visit" if series.began == "first visit" else f"the part was {series.began}"
        reason = f"{len(hours)} of at least {LEAST_VISITS} visits at different hours since {since}."
        return replace(series, reason=reason)
    across, up = [point.hours for point in series.points], [point.value for point in series.points]
    plain = fit_line(across, up)
    line = fit_line(across, up, least_scatter=_stated_scatter(series.points))
    series = replace(series, line=line)
    if up[-1] >= series.limit:
        return replace(series, reason="The limit is reached at the last visit.")
    found = line.crossing(series.limit, LEVEL)
    if found is None:
        if plain.crossing(series.limit, LEVEL) is not None:
            return replace(series, reason="It rises, but the photos' own intervals are too wide to say when it is up.")
        return replace(series, reason="It does not clearly rise; a line through it could as well be level.")
    at, earliest, latest = found
    last = hours[-1]
    if at <= last:
        return replace(series, reason="The line reaches the limit by now, the last photo does not: look again.")
    if at > last + REACH * (last - hours[0]):
        reason = f"At this pace it lies more than {REACH:g} times the hours seen so far ahead: too far to say."
        return replace(series, reason=reason)
    return replace(series, projection=Projection(at, max(earliest, last), latest))


def _stated_scatter(points: Iterable[Point]) -> float:
    """Standard deviation that the photos' own intervals stand for; few points may lie on a line by luck."""
    squares = [((point.high - point.low) / 2 / NORMAL_95) ** 2 for point in points]
    return math.sqrt(sum(squares) / len(squares))
