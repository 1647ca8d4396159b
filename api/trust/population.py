"""The grades that rates and drift are counted over, each once, with what its hand checks found."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.standard.grades import Grade
from wearvision_api.store.tables import GradeRow, Inspection, ReadingRow
from wearvision_api.store.teaching_tables import AskedRow

SETTLED = ("confirmed", "overridden", "contradicted")
"""Standings of a verdict; ``overridden``: the check found it worse than the photo, ``contradicted``: better."""


@dataclass(frozen=True, slots=True)
class Counted:
    """One grade.

    Attributes:
        id: Of the grade.
        at: When it was made.
        part: Key; empty where no part was recognised.
        grade: The photo's own; None: it could not be judged.
        place: Machine, or account and day where no machine is known: photos of one place resemble each other.
        chance: How likely its check was to be asked for, 0 to 1.
        asked: Whether it was.
        why: As in ``AskedRow``.
        possible: Grades that the photo left possible.
        modes: Mode to the grade that it alone gives.
        model: Id of the model that made it; empty: unknown.
        rate: Rate at which its possible grades are stated to hold; None: not stated.
        inputs: What the photo is like.
        standing: Of the hand checks, one of ``SETTLED``; empty: none that settles it came back.
        found: The grade that photo and hand checks came to; None without one.
        by_eye: Grade that a person gave by eye; None without one.
        wanted: Checks that settle it.
        readings: Check to what its newest reading says.
    """

    id: str
    at: datetime
    part: str
    grade: Grade | None
    place: str
    chance: float = 1.0
    asked: bool = True
    why: str = "worn"
    possible: tuple[str, ...] = ()
    modes: Mapping[str, str] = field(default_factory=dict)
    model: str = ""
    rate: float | None = None
    inputs: Mapping[str, float] = field(default_factory=dict)
    standing: str = ""
    found: str | None = None
    by_eye: str | None = None
    wanted: tuple[str, ...] = ()
    readings: Mapping[str, str] = field(default_factory=dict)

    @property
    def settled(self) -> bool:
        """Whether hand checks settled it."""
        return bool(self.standing)


def population(session: Session, since: datetime | None = None, until: datetime | None = None) -> list[Counted]:
    """Every grade for which it was decided whether to ask for a check, oldest first; a part graded anew counts once.

    A grade of the same photos and more stands in place of the one before, unless hand checks settled that one: then
    the one before counts, since it is what they were compared with.

    Args:
        session: To read.
        since: From this moment on; None: from the beginning.
        until: Before this moment; None: until now.
    """
    query = (
        select(
            AskedRow.grade_id,
            AskedRow.chance,
            AskedRow.asked,
            AskedRow.why,
            AskedRow.facts,
            AskedRow.at,
            GradeRow.part,
            GradeRow.grade,
            GradeRow.owner_id,
            Inspection.machine_id,
            GradeRow.verdict["standing"].as_string().label("standing"),
            GradeRow.verdict["grade"].as_string().label("found"),
            GradeRow.override["grade"].as_string().label("by_eye"),
        )
        .join(GradeRow, GradeRow.id == AskedRow.grade_id)
        .outerjoin(Inspection, Inspection.id == GradeRow.inspection_id)
        .order_by(AskedRow.at, AskedRow.grade_id)
    )
    within = [AskedRow.at >= since] if since is not None else []
    within += [AskedRow.at < until] if until is not None else []
    readings = _readings(session, within)
    rows = session.execute(query.where(*within)).all()
    return _once([(_counted(row, readings.get(row.grade_id, {})), row.facts.get("after", ())) for row in rows])


def _readings(session: Session, within: Sequence[Any]) -> dict[str, dict[str, str]]:
    query = select(ReadingRow.grade_id, ReadingRow.check, ReadingRow.finding["says"].as_string())
    query = query.join(AskedRow, AskedRow.grade_id == ReadingRow.grade_id).where(*within)
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for grade_id, check, says in session.execute(query.order_by(ReadingRow.created_at, ReadingRow.id)):
        found[grade_id][check] = says  # the newest of each check counts
    return found


def _counted(row: Any, readings: Mapping[str, str]) -> Counted:
    facts, model = row.facts, row.facts["model"]
    is_settled = row.standing in SETTLED
    return Counted(
        id=row.grade_id,
        at=row.at,
        part=row.part or "",
        grade=row.grade,
        place=row.machine_id or f"{row.owner_id} {row.at.date()}",
        chance=row.chance,
        asked=row.asked,
        why=row.why,
        possible=tuple(facts["possible"]),
        modes=facts["modes"],
        model=model.get("id") or "",
        rate=model.get("rate"),
        inputs=facts["inputs"],
        standing=row.standing if is_settled else "",
        found=row.found if is_settled else None,
        by_eye=row.by_eye,
        wanted=tuple(facts["checks"]),
        readings=readings,
    )


def _once(rows: Sequence[tuple[Counted, Sequence[str]]]) -> list[Counted]:
    """Without those that another one stands for."""
    kept: dict[str, Counted] = {}
    stands_for: dict[str, str] = {}
    for one, before in rows:
        first = [name for name in {stands_for.get(name, name) for name in before} if name in kept]
        settled = next((name for name in first if kept[name].settled), None)
        if settled is not None:
            stands_for[one.id] = settled
            continue
        for name in first:
            del kept[name]
            stands_for[name] = one.id
        kept[one.id] = one
    return list(kept.values())
