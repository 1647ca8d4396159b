"""Examples: photos to label, taken in with permission, left out and put back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import exists, null, select
from sqlalchemy.orm import Session

from wearvision.labels.queue import WRONG, rarity, teaches, urgency
from wearvision.labels.splits import group_of, split_of
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append, hold
from wearvision_api.services.standing import standing
from wearvision_api.store.tables import GradePhoto, GradeRow, PhotoRow, new_id, now
from wearvision_api.store.teaching_tables import ExampleRow, Permission
from wearvision_api.teaching.captures import Origin, origin_of

SKIPPED, NO_PERMISSION, ERASED = "skipped", "permission withdrawn", "erased"
"""Why an example is left out."""


def find(session: Session, example_id: str, *, to_change: bool = False) -> ExampleRow:
    """An example. Raises Problem where there is none.

    Args:
        session: Open.
        example_id: Its id.
        to_change: Hold the row, so that two changes at the same time follow each other.
    """
    query = select(ExampleRow).where(ExampleRow.id == example_id).execution_options(populate_existing=True)
    row = session.scalar(query.with_for_update(key_share=True) if to_change else query)
    if row is None:
        raise Problem("not-found", f"There is no example {example_id}.")
    return row


def add(
    session: Session,
    who: Caller,
    photo: PhotoRow,
    *,
    source: str,
    source_id: str | None,
    machine: str,
    capture: str,
    opinion: Mapping[str, Any] | None,
    rare: Mapping[tuple[str, str], float] | None = None,
    least_energy: float | None = None,
) -> ExampleRow:
    """Makes a photo an example; one whose very bytes are an example already stays the one it is. The caller commits.

    Other writers that add examples or write to the record wait from here to the commit.

    Args:
        session: Of a writing transaction.
        who: Adds it.
        photo: Must have permission; that is for the caller to see to.
        source: ``grade``, ``inspection``, ``return`` or ``folder``.
        source_id: Of that record, None for a folder.
        machine: Identifier of the machine; empty where it is not known.
        capture: What was taken at one time of one part.
        opinion: Report on this photo by the model in use; None where none was made yet.
        rare: How rare each (part, grade) is among what is settled.
        least_energy: The model's limit for what it does not know.

    Raises:
        Problem: the photo was erased.
    """
    if photo.erased_at is not None:
        raise Problem("gone", f"The photo was erased on {photo.erased_at:%Y-%m-%d}.")
    hold(session)  # the same bytes under two records, added at the same time, must give one example
    before = known(session, photo)
    if before is not None:
        return before
    reasons = teaches(opinion, rare=rare, least_energy=least_energy) if opinion is not None else {}
    group = group_of(machine, capture)
    row = ExampleRow(
        id=new_id(),
        owner_id=who.id,
        photo_id=photo.id,
        sha256=photo.sha256,
        source=source,
        source_id=source_id,
        machine=machine[:120],
        capture=capture[:120],
        group=group,
        split=split_of(group),
        opinion=null() if opinion is None else dict(opinion),
        teaches=reasons,
        urgency=urgency(reasons),
        state="waiting",
    )
    session.add(row)
    session.flush()
    return row


def known(session: Session, photo: PhotoRow) -> ExampleRow | None:
    """The example that a photo is already, under this record or another one of the very same bytes."""
    query = select(ExampleRow).where(ExampleRow.sha256 == photo.sha256)
    return session.scalar(query.order_by(ExampleRow.created_at, ExampleRow.id).limit(1))


def permitted(session: Session) -> Sequence[PhotoRow]:
    """Photos with permission that are no example yet, oldest first; one record for the same bytes."""
    taken = exists().where(ExampleRow.sha256 == PhotoRow.sha256)
    query = (
        select(PhotoRow)
        .join(Permission, Permission.photo_id == PhotoRow.id)
        .where(Permission.withdrawn_at.is_(None), PhotoRow.erased_at.is_(None), ~taken)
        .order_by(PhotoRow.created_at, PhotoRow.id)
    )
    first: dict[str, PhotoRow] = {}
    for row in session.scalars(query):
        first.setdefault(row.sha256, row)
    return list(first.values())


def take_in(house: House, session: Session, who: Caller, photos: Iterable[PhotoRow] | None = None) -> list[ExampleRow]:
    """Makes examples of permitted photos of grades, inspections and returns. The caller commits.

    Those that belong to no grade and no return are left: nothing says what part of which machine they show.

    Args:
        house: The running service.
        session: Of a writing transaction.
        who: Takes them in.
        photos: Which; None: all that are permitted and no example yet.

    Returns:
        The new examples. Those without an opinion get one by ``opinions.fill``.
    """
    if photos is None:
        reorder(house, session)  # what is rare has changed since; before the record is held, as everybody else does
    rare, least = rarity_now(session), house.grader.least_energy
    added: list[ExampleRow] = []
    for photo in permitted(session) if photos is None else photos:
        origin = origin_of(session, photo.id)
        if origin is None or photo.erased_at is not None or known(session, photo) is not None:
            continue
        row = add(
            session,
            who,
            photo,
            source=origin.source,
            source_id=origin.source_id,
            machine=origin.machine,
            capture=origin.capture,
            opinion=opinion_on(session, photo),
            rare=rare,
            least_energy=least,
        )
        if row.photo_id == photo.id:  # else somebody else added the same bytes meanwhile
            added.append(row)
    if added:
        append(
            session,
            who.name,
            "taken in",
            "example",
            added[0].id,
            after={"examples": [{"id": row.id, "source": row.source, "split": row.split} for row in added]},
            photos=[row.sha256 for row in added],
        )
    return added


def opinion_on(session: Session, photo: PhotoRow) -> dict[str, Any] | None:
    """The newest report on this photo alone, with how far it holds; None where it was graded with others only."""
    query = select(GradeRow).join(GradePhoto).where(GradePhoto.photo_id == photo.id)
    for row in session.scalars(query.order_by(GradeRow.created_at.desc(), GradeRow.id)):
        if row.report["sha256"] == photo.sha256 and row.reference_id is None:
            return row.report | {"standing": standing_on(session, photo.id)}
    return None


def standing_on(session: Session, photo_id: str) -> str:
    """How far the grades of a photo hold; one that a person or a reading found wrong counts first."""
    rows = session.scalars(select(GradeRow).join(GradePhoto).where(GradePhoto.photo_id == photo_id)).all()
    standings = [
        "confirmed" if row.override is not None and row.override["grade"] == row.grade else standing(row)
        for row in rows
    ]
    for wrong in WRONG:
        if wrong in standings:
            return wrong
    return "confirmed" if "confirmed" in standings else "photo only"


def rarity_now(session: Session) -> dict[tuple[str, str], float]:
    """How rare each part and grade is among the settled examples."""
    counts: dict[tuple[str, str], int] = {(part, grade): 0 for part in PARTS for grade in GRADES}
    for truth in session.scalars(select(ExampleRow.truth).where(ExampleRow.state == "settled")):
        kind = (str((truth or {}).get("part")), str((truth or {}).get("grade")))
        if kind in counts:
            counts[kind] += 1
    return rarity(counts)


def reorder(house: House, session: Session, photos: Iterable[str] | None = None) -> None:
    """Reckons anew how urgent the examples are that wait for a label. The caller commits.

    Args:
        house: The running service.
        session: Of a writing transaction.
        photos: Ids of photos about which something came to light; None: all.
    """
    rare, least = rarity_now(session), house.grader.least_energy
    query = select(ExampleRow).where(ExampleRow.state.in_(("waiting", "second")), ExampleRow.opinion.is_not(null()))
    if photos is not None:
        query = query.where(ExampleRow.photo_id.in_(list(photos)))
    for row in session.scalars(query.order_by(ExampleRow.id)):
        judge_anew(session, row, rare, least)


def judge_anew(
    session: Session, row: ExampleRow, rare: Mapping[tuple[str, str], float], least_energy: float | None
) -> None:
    """Says anew why one example teaches, where that has changed."""
    if row.opinion is None:
        return
    report = row.opinion | {"standing": standing_on(session, row.photo_id)}
    reasons = teaches(report, rare=rare, least_energy=least_energy)
    if reasons != row.teaches:
        row.opinion, row.teaches, row.urgency = report, reasons, urgency(reasons)


def note_standing(session: Session, row: ExampleRow) -> None:
    """Makes an example as urgent as what is known of its grades now makes it: found wrong, or not."""
    wrong = standing_on(session, row.photo_id) in WRONG
    reasons = {name: score for name, score in row.teaches.items() if name != "contradicted"}
    reasons |= {"contradicted": 1.0} if wrong else {}
    if reasons != row.teaches:
        row.teaches, row.urgency = reasons, urgency(reasons)


def leave_out(session: Session, who: Caller, row: ExampleRow, reason: str, why: str = SKIPPED) -> None:
    """Takes an example out of the queue and of future sets; its labels stay. The caller commits.

    Args:
        session: Of a writing transaction, which holds the row.
        who: Leaves it out.
        row: The example.
        reason: In words, for whoever meets it later.
        why: One of ``SKIPPED``, ``NO_PERMISSION``, ``ERASED``.

    Raises:
        Problem: it is left out already.
    """
    if row.state == "left out":
        raise Problem("conflict", "This example is left out already.")
    before, row.state = row.state, "left out"
    row.left_out = {"why": why, "by": who.name, "at": now().isoformat(timespec="seconds"), "reason": reason}
    row.held_by, row.held_until = None, None
    row.version += 1
    session.flush()
    append(
        session,
        who.name,
        "left out",
        "example",
        row.id,
        before={"state": before},
        after={"why": why, "reason": reason},
        photos=[row.sha256],
    )


__all__ = [
    "ERASED",
    "NO_PERMISSION",
    "SKIPPED",
    "Origin",
    "add",
    "find",
    "judge_anew",
    "known",
    "leave_out",
    "note_standing",
    "opinion_on",
    "permitted",
    "rarity_now",
    "reorder",
    "standing_on",
    "take_in",
]
