"""Where the model in the shadow said something else than the one in use: counted, and the dangerous ones first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import ColumnElement, Select, and_, case, func, or_, select
from sqlalchemy.orm import Session

from wearvision_api.services import grading
from wearvision_api.store.tables import GradeRow
from wearvision_api.store.teaching_tables import ShadowRow

PAGE = 20
Which = Literal["all", "dangerous", "grade", "refused"]
WHICH: dict[Which, str] = {
    "all": "All that differ",
    "dangerous": "Replace against serviceable",
    "grade": "Other grade",
    "refused": "Judged by one only",
}


@dataclass(frozen=True, slots=True)
class Difference:
    """One grade beside what the shadow said.

    Attributes:
        grade_id: Of the grade.
        at: When it was graded.
        part: Recognised by the model in use; None: none.
        model: That graded.
        before: Its grade; None: it could not judge.
        after: The shadow's.
        after_part: Part that the shadow recognised.
        by_hand: The grade that hand checks or an eye came to; None: nobody has looked.
        picture: Whether there is a picture of it.
    """

    grade_id: str
    at: datetime
    part: str | None
    model: str
    before: str | None
    after: str | None
    after_part: str | None
    by_hand: str | None
    picture: bool


@dataclass(frozen=True, slots=True)
class Counts:
    """How often both graded, and differed; ``milder``: the shadow says serviceable where replace was said."""

    compared: int
    differ: int
    milder: int
    stricter: int
    refused: int


def counted(session: Session, model: str) -> Counts:
    """The counts of one model."""
    wanted = [func.count(), *(func.count(case((one, 1))) for one in (ShadowRow.differs, _MILDER, _STRICTER, _REFUSED))]
    query = select(*wanted).select_from(ShadowRow).join(GradeRow, GradeRow.id == ShadowRow.grade_id)
    found: tuple[int, ...] = tuple(session.execute(query.where(ShadowRow.model == model)).one())
    compared, differ, milder, stricter, refused = found
    return Counts(compared, differ, milder, stricter, refused)


def listed(session: Session, model: str, which: Which, page: int) -> list[Difference]:
    """What differs, the most dangerous first, then the newest.

    Args:
        session: For reading.
        model: Id of the model that graded in the shadow.
        which: What to list.
        page: From 1 on, ``PAGE`` a page.
    """
    query = _query(model, which).order_by(_ORDER, ShadowRow.at.desc(), ShadowRow.grade_id)
    rows = session.execute(query.limit(PAGE).offset(PAGE * (page - 1))).all()
    return [_difference(said, row) for said, row in rows]


def _query(model: str, which: Which) -> Select[ShadowRow, GradeRow]:
    query = select(ShadowRow, GradeRow).join(GradeRow, GradeRow.id == ShadowRow.grade_id)
    query = query.where(ShadowRow.model == model, ShadowRow.differs)
    if which == "dangerous":
        return query.where(or_(_MILDER, _STRICTER))
    if which == "grade":
        return query.where(GradeRow.grade.is_not(None), ShadowRow.grade.is_not(None))
    return query.where(_REFUSED) if which == "refused" else query


def _difference(said: ShadowRow, row: GradeRow) -> Difference:
    is_looked_at = grading.standing(row) != "photo only" or row.wiping is not None
    return Difference(
        grade_id=row.id,
        at=row.created_at,
        part=row.part,
        model=row.report["model"]["id"],
        before=row.grade,
        after=said.grade,
        after_part=said.report["part"]["name"],
        by_hand=grading.holds(row) if is_looked_at else None,
        picture=any("outlined" in one for one in row.pictures),
    )


_MILDER: ColumnElement[bool] = and_(GradeRow.grade == "replace", ShadowRow.grade == "serviceable")
_STRICTER: ColumnElement[bool] = and_(GradeRow.grade == "serviceable", ShadowRow.grade == "replace")
_REFUSED: ColumnElement[bool] = GradeRow.grade.is_(None) != ShadowRow.grade.is_(None)
_ORDER = case((_MILDER, 0), (_STRICTER, 1), (_REFUSED, 3), else_=2)
