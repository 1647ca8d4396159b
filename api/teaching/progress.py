"""How somebody comes along in practice: agreement with the settled truth, sitting by sitting."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from wearvision.standard.grades import GRADES
from wearvision_api.accounts.roles import Caller
from wearvision_api.store.tables import Account
from wearvision_api.store.teaching_tables import PracticeRow, SittingRow
from wearvision_api.teaching.kappa import cohen
from wearvision_api.teaching.resampling import Figure

MOST = 200
"""Sittings that are looked at, newest first."""


@dataclass(frozen=True, slots=True)
class Result:
    """A sitting's result.

    Attributes:
        id: Of the sitting.
        person: Account name.
        at: When it began.
        part: Of this part only; None: of all.
        asked: Questions.
        answered: Answers.
        right: Answers that were right as a whole.
        kappa: Quadratically weighted kappa of the grades with the truth; an answer in a guard band counts as right.
    """

    id: str
    person: str
    at: datetime
    part: str | None
    asked: int
    answered: int
    right: int
    kappa: Figure


@dataclass(frozen=True, slots=True)
class Progress:
    """Results of one person, oldest first, and kappa over all of their answers."""

    person: str
    results: tuple[Result, ...]
    kappa: Figure


def progress(session: Session, who: Caller, *, everybody: bool = False) -> tuple[Progress, ...]:
    """Results by person, in the order of names.

    Args:
        session: For reading.
        who: Asks.
        everybody: Results of all, for those who see all of teaching; others get their own.
    """
    query = (
        select(SittingRow, Account.name)
        .join(Account, Account.id == SittingRow.owner_id)
        .options(selectinload(SittingRow.answers))
        .order_by(SittingRow.created_at.desc(), SittingRow.id)
        .limit(MOST)
    )
    if not (everybody and who.may("teaching:read")):
        query = query.where(SittingRow.owner_id == who.id)
    people: dict[str, list[SittingRow]] = {}
    for row, name in session.execute(query):
        people.setdefault(name, []).insert(0, row)
    return tuple(
        Progress(
            name,
            tuple(result(row, name) for row in rows),
            kappa_of(answer for row in rows for answer in row.answers),
        )
        for name, rows in sorted(people.items())
    )


def result(row: SittingRow, person: str) -> Result:
    """What a sitting came to."""
    answers: Sequence[PracticeRow] = row.answers
    return Result(
        row.id,
        person,
        row.created_at,
        row.part,
        len(row.asked),
        len(answers),
        sum(one.right for one in answers),
        kappa_of(answers),
    )


def kappa_of(answers: Iterable[PracticeRow]) -> Figure:
    """Weighted kappa between the grades said and the truth, over answers where both have a grade."""
    said, true = [], []
    for one in answers:
        found = one.found.get("grade")
        if found is None or found["said"] is None:
            continue
        said.append(found["said"])
        true.append(found["said"] if found["right"] else one.found["true_grade"])
    return cohen(said, true, GRADES, "quadratic")
