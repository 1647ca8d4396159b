"""Settled examples whose grade a model that was taught without them strongly doubts: shown once more to a person.

A doubt changes nothing by itself. It is answered by a new label, or by saying that the label stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, defer, joinedload

from wearvision.errors import PhotoError
from wearvision.grade import Grader
from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow
from wearvision_api.teaching.features import kept, make
from wearvision_api.teaching.resampling import EXTRA
from wearvision_api.teaching.seen import seen_by
from wearvision_api.teaching.suspects import Suspect, search

SECONDS = 20.0
"""For how long a page looks at photos before it answers; a command has no such end."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What was looked at of one part: how many settled grades, how many are doubted, and what could not be."""

    part: str
    of: int
    doubted: int
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """What a search came to.

    Attributes:
        doubts: Ids of the examples that are doubted anew.
        parts: What was looked at; empty while photos are left.
        left: Photos that no features were made of yet; only when there are none does the search begin.
        unreadable: Hashes of photos that cannot be read.
    """

    doubts: tuple[str, ...]
    parts: tuple[Looked, ...]
    left: int
    unreadable: tuple[str, ...]


def find(house: House, who: Caller, *, seconds: float | None = None) -> Found:
    """Looks for doubtful grades among all that is settled.

    Args:
        house: The running service.
        who: Asks; named in the record.
        seconds: For how long photos are looked at, at most; None: all of them. What was looked at is kept, so the next
            call goes on.

    Raises:
        Problem: the extra ``teaching`` is not installed, or all hands are busy.
    """
    grader = house.grader
    with house.session(writes=False) as session:
        rows = settled(session)
    made = make(house, grader, [row.sha256 for row in rows], seconds=seconds)
    if made.left:
        return Found((), (), made.left, made.unreadable)
    parts, suspects = [], []
    with house.session(writes=False) as session:
        features = kept(session, grader.model_sha256, [row.sha256 for row in rows])
    for part in PARTS:
        of_part = [row for row in rows if row.sha256 in features and (row.truth or {}).get("part") == part]
        looked, doubted = _look_through(of_part, part, np.array([features[row.sha256] for row in of_part]))
        parts.append(looked)
        suspects += doubted
    with house.session(writes=False) as session:
        told = [(row, one, says(house, session, grader, row, one)) for row, one in suspects]
    with house.session() as session:
        fresh = _keep(session, who, told)
        session.commit()
    return Found(tuple(fresh), tuple(parts), 0, made.unreadable)


def settled(session: Session) -> Sequence[ExampleRow]:
    """Settled examples with a grade, oldest first."""
    query = (
        select(ExampleRow)
        .where(ExampleRow.state.in_(("settled", "again")), ExampleRow.truth.is_not(None))
        .options(joinedload(ExampleRow.photo), defer(ExampleRow.opinion))
        .order_by(ExampleRow.created_at, ExampleRow.id)
    )
    return [row for row in session.scalars(query) if (row.truth or {}).get("grade") and row.photo.erased_at is None]


def _look_through(
    rows: Sequence[ExampleRow], part: str, features: np.ndarray
) -> tuple[Looked, list[tuple[ExampleRow, Suspect]]]:
    """The examples of one part whose grade is doubted, but for those where what is likelier is a right answer too."""
    truths = [row.truth or {} for row in rows]
    try:
        found = search(features, [truth["grade"] for truth in truths], [row.group for row in rows])
    except ModuleNotFoundError as error:
        raise Problem("not-ready", f"Doubts cannot be looked for: {EXTRA}.") from error
    doubted = [
        (rows[one.place], one)
        for one in found.suspects
        if likeliest(one.probabilities) not in truths[one.place].get("acceptable_grades", ())
    ]
    return Looked(part, found.of, len(doubted), found.remarks), doubted


def likeliest(probabilities: dict[str, float]) -> str:
    """The grade of the highest probability."""
    return max(probabilities, key=lambda grade: probabilities[grade])


def says(house: House, session: Session, grader: Grader, row: ExampleRow, one: Suspect) -> dict[str, Any]:
    """What speaks against a grade: the small model, and the model in use unless it was taught with the photo."""
    opinion: dict[str, Any] | None = None
    if grader.model_id not in seen_by(session, row.photo_id).models:
        try:
            report = house.work.run(lambda: grader.grade(house.blobs.get(row.sha256), (row.truth or {})["part"]))
        except (PhotoError, OSError):
            report = None
        if report is not None and report.usable:
            opinion = {"model": grader.model_id, "grade": report.grade, "possible_grades": list(report.possible_grades)}
    return {
        "label": (row.truth or {})["grade"],
        "likelier": likeliest(one.probabilities),
        "probabilities": {grade: round(chance, 4) for grade, chance in one.probabilities.items()},
        "model": grader.model_sha256,
        "opinion": opinion,
    }


def _keep(session: Session, who: Caller, told: Sequence[tuple[ExampleRow, Suspect, dict[str, Any]]]) -> list[str]:
    """Writes doubts down; ids of those that are new. What a person answered since it was settled is not asked again."""
    fresh = []
    for stale, one, words in sorted(told, key=lambda item: item[0].id):
        row = session.scalar(select(ExampleRow).where(ExampleRow.id == stale.id).with_for_update(key_share=True))
        if row is None or row.version != stale.version:
            continue  # somebody labelled it meanwhile
        doubt = session.get(DoubtRow, row.id)
        if doubt is not None and doubt.answered_at is not None and doubt.says.get("label") == words["label"]:
            continue
        if doubt is None or doubt.answered_at is not None:
            fresh.append(row.id)
        session.merge(DoubtRow(example_id=row.id, found_at=now(), quality=one.quality, says=words, answered_at=None))
        if row.state != "again":
            row.state = "again"
            row.version += 1
    session.flush()
    if fresh:
        append(session, who.name, "doubted", "examples", fresh[0], after={"examples": fresh})
    return fresh


def open_doubts(session: Session) -> list[tuple[DoubtRow, ExampleRow]]:
    """Doubts that nobody has answered: first those that the model in use shares, then the least believed."""
    query = (
        select(DoubtRow, ExampleRow)
        .join(ExampleRow, ExampleRow.id == DoubtRow.example_id)
        .where(DoubtRow.answered_at.is_(None), ExampleRow.state == "again")
        .order_by(DoubtRow.quality, DoubtRow.example_id)
    )
    found = [(doubt, row) for doubt, row in session.execute(query)]
    return sorted(found, key=lambda pair: (not shared(pair[0]), pair[0].quality))


def shared(doubt: DoubtRow) -> bool:
    """Whether the model in use, not taught with the photo, holds the label's grade for impossible."""
    opinion = doubt.says.get("opinion")
    return opinion is not None and doubt.says["label"] not in opinion["possible_grades"]


def stands(session: Session, who: Caller, example_id: str) -> DoubtRow:
    """Somebody has looked again: the label stands. The caller commits.

    Raises:
        Problem: the example is not doubted, or was answered already.
    """
    row = session.scalar(select(ExampleRow).where(ExampleRow.id == example_id).with_for_update(key_share=True))
    doubt = session.get(DoubtRow, example_id, populate_existing=True)
    if row is None or doubt is None:
        raise Problem("not-found", f"The example {example_id} is not doubted.")
    if doubt.answered_at is not None:
        raise Problem("conflict", "The doubt was answered already.")
    answer(session, row)
    row.state = "settled" if row.state == "again" else row.state
    row.version += 1
    session.flush()
    append(
        session,
        who.name,
        "label stands",
        "example",
        row.id,
        before={"doubt": {"quality": round(doubt.quality, 4), "likelier": doubt.says["likelier"]}},
        after={"grade": (row.truth or {}).get("grade")},
        photos=[row.sha256],
    )
    return doubt


def answer(session: Session, row: ExampleRow) -> None:
    """Marks the doubt of an example as answered, if there is an open one; a new label does so before it settles."""
    doubt = session.get(DoubtRow, row.id)
    if doubt is not None and doubt.answered_at is None:
        doubt.answered_at = now()
        session.flush()
