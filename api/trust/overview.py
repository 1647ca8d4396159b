"""Everything that is said of how often the photo was right, gathered for page, JSON and table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal, get_args

from sqlalchemy.orm import Session

from wearvision.standard.grades import GRADES, Grade
from wearvision_api.house import House
from wearvision_api.store.tables import now
from wearvision_api.trust import drift
from wearvision_api.trust.over_time import Every, ModelLine, Period, Turn, by_model, by_period, turns
from wearvision_api.trust.population import Counted, population
from wearvision_api.trust.rates import CheckLine, GradeLine, by_check, by_grade, confirmed, kept_promise, stated
from wearvision_api.trust.shares import Share

Since = Literal["year", "model", "all"]
SINCE: tuple[Since, ...] = get_args(Since)
YEAR = timedelta(days=365)
ALARM_LOOKS = 13
"""An alarm is shown for so many weekly looks."""
COLUMNS = (
    *("kind", "period", "part", "grade", "check", "grades", "asked", "answered", "held", "worse", "better", "by_eye"),
    *("by_eye_other", "unasked", "share", "low", "high", "least", "most", "unweighted", "reason"),
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What figures are over: a part (empty: all), since when, and the grade and step of the picture over time."""

    part: str = ""
    since: Since = "year"
    grade: Grade = "serviceable"
    every: Every = "month"


@dataclass(frozen=True, slots=True)
class Overview:
    """Figures of how often the photo was right.

    Attributes:
        since: First moment that counts; None: from the beginning.
        grades: How many could be judged.
        totals: For each grade that occurs, the share confirmed over the parts asked for.
        lines: By part and grade.
        checks: By hand check.
        promise: Share whose possible grades held the one found by hand.
        stated: The rate at which they should.
        periods: Over time, of one grade.
        models: By model.
        turns: When which model came into use.
        model: Id of the one in use.
        share: Of sure serviceables that are drawn.
    """

    since: datetime | None
    grades: int
    totals: tuple[tuple[Grade, Share], ...]
    lines: tuple[GradeLine, ...]
    checks: tuple[CheckLine, ...]
    promise: Share
    stated: float | None
    periods: tuple[Period, ...]
    models: tuple[ModelLine, ...]
    turns: tuple[Turn, ...]
    model: str
    share: float


@dataclass(frozen=True, slots=True)
class Alarm:
    """What the drift alarm says.

    Attributes:
        model: Whose photos are looked at.
        grades: How many there are of it.
        newest: The newest look; None: too early.
        raised: Looks of the last ``ALARM_LOOKS`` weeks that raised an alarm, newest first.
    """

    model: str
    grades: int
    newest: drift.Look | None
    raised: tuple[drift.Look, ...]


def overview(house: House, session: Session, asked: Asked) -> Overview:
    """Gathers the figures.

    Args:
        house: For checks, settings and the model in use.
        session: To read.
        asked: What they are over.
    """
    model = str(house.grader.model_id)
    since = now() - YEAR if asked.since == "year" else None
    rows = [one for one in population(session, since) if asked.part in ("", one.part)]
    if asked.since == "model":
        rows = [one for one in rows if one.model == model]
    judged = [one for one in rows if one.grade is not None]
    return Overview(
        since=since if asked.since == "year" else (judged[0].at if judged else None),
        grades=len(judged),
        totals=tuple((grade, confirmed(mine)) for grade in GRADES if (mine := _of(judged, grade))),
        lines=tuple(by_grade(judged)),
        checks=tuple(by_check(judged, house.checks)),
        promise=kept_promise(judged),
        stated=stated(judged),
        periods=tuple(by_period(_of(judged, asked.grade), asked.every)),
        models=tuple(by_model(judged)),
        turns=tuple(turns(session)),
        model=model,
        share=house.settings.ask_share,
    )


def _of(rows: Sequence[Counted], grade: Grade) -> list[Counted]:
    return [one for one in rows if one.grade == grade]


def alarm(house: House, session: Session) -> Alarm:
    """Looks whether photos or checks have changed since the model in use came; reads only."""
    model = str(house.grader.model_id)
    rows = [one for one in population(session) if one.model == model]
    seen = drift.looks(rows, now(), ALARM_LOOKS)
    raised = tuple(one for one in reversed(seen) if one.alarms)
    return Alarm(model, len(rows), seen[-1] if seen else None, raised)


def table(found: Overview) -> bytes:
    """The figures as CSV in UTF-8: a row a part and grade, a check, a period; shares with four places."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(_rows(found))
    return out.getvalue().encode()


def _rows(found: Overview) -> Iterator[dict[str, object]]:
    for line in found.lines:
        yield {
            "kind": "grade",
            "part": line.part,
            "grade": line.grade,
            "grades": line.grades,
            "worse": line.overridden,
            "better": line.contradicted,
            "by_eye": line.by_eye,
            "by_eye_other": line.by_eye_other,
            "unasked": line.unasked,
        } | _plain(line.share)
    for check in found.checks:
        counts = {"worse": check.worse, "better": check.better}
        yield {"kind": "check", "part": check.part, "check": check.check} | counts | _plain(check.share)
    for period in found.periods:
        yield {"kind": "period", "period": period.name, "grades": period.grades} | _plain(period.share)


def _plain(share: Share) -> dict[str, object]:
    numbers = {"share": share.value, "low": share.low, "high": share.high, "least": share.least, "most": share.most}
    numbers["unweighted"] = share.unweighted
    return {
        **{name: "" if value is None else f"{value:.4f}" for name, value in numbers.items()},
        **{name: getattr(share, name) for name in ("asked", "answered", "held", "reason")},
    }
