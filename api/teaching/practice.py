"""Practice: settled examples as questions, one after the other, for whoever has not labelled them.

A sitting fixes which examples are asked. What was true when it was answered is kept with the answer, so that results
do not change when an example is settled anew.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session, defer, joinedload, selectinload

from wearvision.labels.label import NONE
from wearvision.labels.truth import Truth
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.store.tables import new_id
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow, PracticeRow, SittingRow
from wearvision_api.teaching.marking import Said, is_right, marked, worst_modes
from wearvision_api.teaching.where import drawn_label, wear_places

COUNT, MOST = 10, 40
"""Questions of a sitting: usual and most."""
UNFIT = "unfit"
RANKS = frozenset({"agreed", "third", "pair", "reading"})
"""What a truth must rest on to be asked: more than one person's word."""


def begin(
    session: Session,
    who: Caller,
    *,
    part: str | None = None,
    count: int = COUNT,
    chance: random.Random | None = None,
    record_id: str | None = None,
) -> SittingRow:
    """Begins a sitting: examples in turn from each part and grade that there is, in mixed order. The caller commits.

    What this person was asked before comes last, and two photos of one group only where nothing else is left.

    Args:
        session: Of a writing transaction.
        who: Practises.
        part: Of this part only.
        count: Questions, 1 to ``MOST``; fewer where there are not as many examples.
        chance: Mixes; None: as nobody can foresee.
        record_id: Chosen by the caller.

    Raises:
        Problem: no example is settled well enough that this person has not labelled.
    """
    mixed = chance or random.SystemRandom()
    rows = askable(session, who, part)
    if not rows:
        raise Problem(
            "conflict",
            "There is nothing to practise on: no example is settled by more than one person's word that you have not "
            "labelled yourself.",
        )
    asked_before = _asked_before(session, who)
    strata: dict[tuple[str, str], list[ExampleRow]] = defaultdict(list)
    for row in rows:
        strata[stratum(row)].append(row)
    for some in strata.values():
        mixed.shuffle(some)
        some.sort(key=lambda row: asked_before.get(row.id, 0))
    chosen = _in_turn(list(strata.values()), count, mixed)
    sitting = SittingRow(id=record_id or new_id(), owner_id=who.id, part=part, asked=[row.id for row in chosen])
    session.add(sitting)
    session.flush()
    return sitting


def askable(session: Session, who: Caller, part: str | None = None) -> Sequence[ExampleRow]:
    """Examples that somebody can be asked, oldest first."""
    own = exists().where(LabelRow.example_id == ExampleRow.id, LabelRow.owner_id == who.id)
    query = (
        select(ExampleRow)
        .where(ExampleRow.state == "settled", ExampleRow.truth.is_not(None), ~own)
        .options(joinedload(ExampleRow.photo), defer(ExampleRow.opinion))
        .order_by(ExampleRow.created_at, ExampleRow.id)
    )
    return [row for row in session.scalars(query) if row.photo.erased_at is None and _settled_well(row, part)]


def _settled_well(row: ExampleRow, part: str | None) -> bool:
    truth = row.truth or {}
    is_whole = truth["part"] == NONE or not truth["fit"] or truth["grade"] is not None
    return truth["rank"] in RANKS and is_whole and part in (None, truth["part"])


def stratum(row: ExampleRow) -> tuple[str, str]:
    """What an example is balanced by: its part, and its grade or that it is unfit."""
    truth = row.truth or {}
    return truth["part"], truth["grade"] or (NONE if truth["part"] == NONE else UNFIT)


def _asked_before(session: Session, who: Caller) -> dict[str, int]:
    query = select(PracticeRow.example_id, func.count()).where(PracticeRow.owner_id == who.id)
    return {str(row[0]): int(row[1]) for row in session.execute(query.group_by(PracticeRow.example_id))}


def _in_turn(strata: list[list[ExampleRow]], count: int, mixed: random.Random) -> list[ExampleRow]:
    """Up to ``count`` examples, one from each stratum in turn, groups met already kept back to the end."""
    chosen: list[ExampleRow] = []
    groups: set[str] = set()
    waiting = [list(some) for some in strata]
    mixed.shuffle(waiting)
    for is_strict in (True, False):
        while len(chosen) < count:
            before = len(chosen)
            for some in waiting:
                row = next((row for row in some if not (is_strict and row.group in groups)), None)
                if row is not None and len(chosen) < count:
                    some.remove(row)
                    groups.add(row.group)
                    chosen.append(row)
            if len(chosen) == before:
                break
    mixed.shuffle(chosen)
    return chosen


def find(session: Session, who: Caller, sitting_id: str) -> SittingRow:
    """A sitting of somebody's own; of anybody for those who see all of teaching.

    Raises:
        Problem: there is none that they may see.
    """
    row = session.get(SittingRow, sitting_id, options=[selectinload(SittingRow.answers)], populate_existing=True)
    if row is None or (row.owner_id != who.id and not who.may("teaching:read")):
        raise Problem("not-found", f"There is no sitting {sitting_id} of yours.")
    return row


def asked(session: Session, sitting: SittingRow, place: int) -> ExampleRow:
    """The example that is asked at a place of a sitting, counted from 1.

    Raises:
        Problem: there is no such place.
    """
    if not 1 <= place <= len(sitting.asked):
        raise Problem("not-found", f"The sitting has questions 1 to {len(sitting.asked)}.")
    return session.get_one(ExampleRow, sitting.asked[place - 1], options=[joinedload(ExampleRow.photo)])


def can_be_asked(row: ExampleRow) -> bool:
    """Whether an example is still there to be asked: it may have been erased or left out since the sitting began."""
    return row.state in ("settled", "again") and row.truth is not None and row.photo.erased_at is None


def still_there(session: Session, sitting: SittingRow, place: int) -> ExampleRow:
    """The example at a place, whose photo may be shown.

    Raises:
        Problem: there is no such place, or the photo was taken out of teaching meanwhile.
    """
    row = asked(session, sitting, place)
    if not can_be_asked(row):
        raise Problem("gone", "This photo was taken out of teaching since the sitting began; go on to the next.")
    return row


def answered(sitting: SittingRow, place: int) -> PracticeRow | None:
    """The answer given at a place, None where there is none yet."""
    return next((row for row in sitting.answers if row.example_id == sitting.asked[place - 1]), None)


def open_place(session: Session, sitting: SittingRow) -> int | None:
    """The first place that waits for an answer; None when the sitting is over."""
    for place in range(1, len(sitting.asked) + 1):
        if answered(sitting, place) is None and can_be_asked(asked(session, sitting, place)):
            return place
    return None


def answer(
    house: House,
    session: Session,
    who: Caller,
    sitting: SittingRow,
    place: int,
    said: Said,
    record_id: str | None = None,
) -> PracticeRow:
    """Takes an answer and holds it against the truth. The caller commits.

    Raises:
        Problem: the sitting is somebody else's, the place is answered already, or the example is no longer there.
    """
    if sitting.owner_id != who.id:
        raise Problem("not-allowed", "Only whoever began the sitting can answer its questions.")
    row = still_there(session, sitting, place)
    if answered(sitting, place) is not None:
        raise Problem("conflict", "This question is answered already; the first answer counts.")
    truth, limits = Truth.read(row.truth), house.grader.limits
    found = marked(said, truth, limits, wear_places(drawn_label(row), worst_modes(truth, limits)))
    kept: dict[str, Any] = {key: one.to_dict() for key, one in found.items()}
    given = PracticeRow(
        id=record_id or new_id(),
        owner_id=who.id,
        example_id=row.id,
        sitting=sitting.id,
        body=asdict(said),
        found=kept | {"true_grade": truth.grade},
        right=is_right(found),
    )
    session.add(given)
    session.flush()
    session.expire(sitting, ["answers"])
    return given
