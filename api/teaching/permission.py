"""Who let a photo be used to teach, on what ground; and what it means when they change their mind."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from wearvision.standard.views import wanted_views
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import GradePhoto, GradeRow, PhotoRow, now
from wearvision_api.store.teaching_tables import ExampleRow, Permission
from wearvision_api.teaching import examples
from wearvision_api.teaching.seen import Seen, seen_by
from wearvision_api.teaching.settling import resettle

OF_RETURN = "the claimant agreed"
"""Ground of a return's photos where its claim says so."""


@dataclass(frozen=True, slots=True)
class Permitted:
    """What a permission brought.

    Attributes:
        photos: How many photos have it now that had not.
        examples: Ids of those that became examples, or are examples again.
    """

    photos: int
    examples: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What was withdrawn, and who has learned from it already.

    Attributes:
        photos: How many photos have their permission no longer.
        left_out: Ids of the examples that are left out for it.
        seen: Sets that hold one of them, and models taught with them.
    """

    photos: int
    left_out: tuple[str, ...]
    seen: Seen


def permit(house: House, session: Session, who: Caller, photos: Iterable[str], basis: str) -> Permitted:
    """Lets photos be used to teach; those of grades and returns become examples at once. The caller commits.

    Args:
        house: The running service.
        session: Of a writing transaction.
        who: Gives it.
        photos: Ids; erased ones are passed over.
        basis: On what ground, in words.
    """
    ids = sorted(set(photos))
    rows = {
        row.id: row
        for row in session.scalars(select(PhotoRow).where(PhotoRow.id.in_(ids), PhotoRow.erased_at.is_(None)))
    }
    fresh: list[PhotoRow] = []
    for one in _held(session, who, list(rows), basis):
        if one.withdrawn_at is not None:
            one.given_by, one.given_at, one.basis, one.withdrawn_at = who.id, now(), basis, None
            fresh.append(rows[one.photo_id])
    fresh.sort(key=lambda row: (row.created_at, row.id))
    session.flush()
    if not fresh:
        return Permitted(0, ())
    back = _put_back(house, session, who, [row.id for row in fresh])
    append(
        session,
        who.name,
        "permitted to teach",
        "photo",
        fresh[0].id,
        after={"photos": [row.id for row in fresh], "basis": basis},
        photos=sorted({row.sha256 for row in fresh}),
    )
    added = examples.take_in(house, session, who, fresh)
    return Permitted(len(fresh), (*back, *(row.id for row in added)))


def _held(session: Session, who: Caller, photos: Sequence[str], basis: str) -> Sequence[Permission]:
    """The rows of some photos, locked; those that there were none of are made as if they had been withdrawn."""
    at = now()
    rows = [
        {"photo_id": photo, "given_by": who.id, "given_at": at, "basis": basis, "withdrawn_at": at} for photo in photos
    ]
    if not rows:
        return ()
    insert = postgresql.insert if session.get_bind().dialect.name == "postgresql" else sqlite.insert
    # Two who permit the same photo at the same time: the second waits here and finds the row of the first.
    session.execute(insert(Permission).on_conflict_do_nothing(), rows)
    query = select(Permission).where(Permission.photo_id.in_(photos)).order_by(Permission.photo_id)
    return session.scalars(query.with_for_update().execution_options(populate_existing=True)).all()


def withdraw(session: Session, who: Caller, photos: Iterable[str], reason: str) -> Withdrawn:
    """Takes permission back: the examples are left out, and future sets skip them. The caller commits.

    Sets that were frozen before still name the photo, and models that learned from it keep what they learned; the
    answer says which.

    Args:
        session: Of a writing transaction.
        who: Takes it back.
        photos: Ids; those without permission are passed over.
        reason: In words.
    """
    query = select(Permission).where(Permission.photo_id.in_(sorted(set(photos))), Permission.withdrawn_at.is_(None))
    given = session.scalars(query.order_by(Permission.photo_id).with_for_update()).all()
    if not given:
        return Withdrawn(0, (), Seen())
    for one in given:
        one.withdrawn_at = now()
    ids = [one.photo_id for one in given]
    rows = session.scalars(
        select(ExampleRow)
        .where(ExampleRow.photo_id.in_(ids), ExampleRow.state != "left out")
        .order_by(ExampleRow.id)
        .with_for_update(key_share=True)
    ).all()
    seen = joined(seen_by(session, photo_id) for photo_id in ids)
    for row in rows:
        examples.leave_out(session, who, row, reason, examples.NO_PERMISSION)
    digests = session.scalars(select(PhotoRow.sha256).where(PhotoRow.id.in_(ids))).all()
    append(
        session,
        who.name,
        "permission to teach withdrawn",
        "photo",
        ids[0],
        before={"photos": ids},
        after={"reason": reason, "left_out": [row.id for row in rows]} | seen.to_dict(),
        photos=sorted(set(digests)),
    )
    return Withdrawn(len(ids), tuple(row.id for row in rows), seen)


def joined(found: Iterable[Seen]) -> Seen:
    """Sets and models that saw any of several photos."""
    all_of = list(found)
    return Seen(
        tuple(sorted({name for one in all_of for name in one.sets})),
        tuple(sorted({name for one in all_of for name in one.models})),
    )


def _put_back(house: House, session: Session, who: Caller, photos: Sequence[str]) -> list[str]:
    """Examples that were left out for want of permission, and have it again."""
    query = select(ExampleRow).where(ExampleRow.photo_id.in_(photos), ExampleRow.state == "left out")
    rows = session.scalars(query.order_by(ExampleRow.id).with_for_update(key_share=True)).all()
    back = [row for row in rows if (row.left_out or {}).get("why") == examples.NO_PERMISSION]
    for row in back:
        put_back(house, session, who, row)
    return [row.id for row in back]


def put_back(house: House, session: Session, who: Caller, row: ExampleRow) -> None:
    """Takes an example in again that was left out. The caller commits.

    Raises:
        Problem: it is not left out, its photo was erased, or it has no permission.
    """
    if row.state != "left out":
        raise Problem("conflict", "This example is not left out.")
    photo = session.get_one(PhotoRow, row.photo_id)
    if photo.erased_at is not None:
        raise Problem("gone", f"The photo was erased on {photo.erased_at:%Y-%m-%d}.")
    if not is_permitted(session, row):
        raise Problem("conflict", "There is no permission to teach with this photo.")
    why = dict(row.left_out or {})
    row.left_out, row.state = None, "waiting" if row.brought is None else "settled"
    row.version += 1
    session.flush()
    append(session, who.name, "put back", "example", row.id, before=why, photos=[row.sha256])
    resettle(house, session, row, who.name)


def is_permitted(session: Session, row: ExampleRow) -> bool:
    """Whether the photo of an example may teach, under this record or another one of the very same bytes."""
    same = select(PhotoRow.id).where(PhotoRow.sha256 == row.sha256, PhotoRow.erased_at.is_(None))
    query = select(Permission.photo_id).where(Permission.photo_id.in_(same), Permission.withdrawn_at.is_(None))
    return session.scalar(query.limit(1)) is not None


def photos_of_grade(who: Caller, row: GradeRow) -> list[str]:
    """Photos of a grade for which this person can give or withdraw permission.

    Raises:
        Problem: the grade is somebody else's.
    """
    if row.owner_id != who.id and who.role != "administrator":
        raise Problem("not-allowed", "Only whoever made this grade, or an administrator, can say so.")
    return [one.photo_id for one in row.photos]


def photos_of_inspections(session: Session, who: Caller, inspections: Sequence[str] | None) -> list[str]:
    """Photos of the own company's inspections.

    Args:
        session: For reading.
        who: Must be an administrator.
        inspections: Ids; None: of all.

    Raises:
        Problem: somebody else asks.
    """
    _demand_administrator(who)
    query = select(GradePhoto.photo_id).join(GradeRow).where(GradeRow.inspection_id.is_not(None))
    if inspections is not None:
        query = query.where(GradeRow.inspection_id.in_(inspections))
    return sorted(set(session.scalars(query)))


def photos_of_returns(session: Session, who: Caller, returns: Sequence[str]) -> list[str]:
    """Photos of returns, by their numbers or ids, without those set aside.

    Raises:
        Problem: somebody else than an administrator asks, or there is no such return.
    """
    _demand_administrator(who)
    rows = session.scalars(select(ReturnRow).where(ReturnRow.number.in_(returns) | ReturnRow.id.in_(returns))).all()
    named = {name for row in rows for name in (row.id, row.number)}
    if missing := [name for name in returns if name not in named]:
        raise Problem("not-found", f"There is no return {', '.join(missing[:5])}.")
    return sorted({photo for row in rows for photo in return_photos(row)})


def return_photos(row: ReturnRow) -> list[str]:
    """Photos that count in a return and show the part, not its plate or machine."""
    shown = {one.key for one in wanted_views(row.part) if one.graded}
    return [one.photo_id for one in row.photos if one.view in shown and one.photo_id is not None]


def follow_return(house: House, session: Session, who: Caller, row: ReturnRow) -> None:
    """Makes the permission of a return's photos what its claim says, after it changed. The caller commits."""
    if row.may_teach:
        permit(house, session, who, return_photos(row), OF_RETURN)
        return
    given = select(Permission.photo_id).where(
        Permission.photo_id.in_([one.photo_id for one in row.photos if one.photo_id is not None]),
        Permission.basis == OF_RETURN,
    )
    withdraw(session, who, session.scalars(given), "The claim no longer says so.")


def hold_examples(session: Session, row: ReturnRow) -> None:
    """Locks the examples of a return's photos before a step writes to the record: others label in that order."""
    photos = [one.photo_id for one in row.photos if one.photo_id is not None]
    query = select(ExampleRow.id).where(ExampleRow.photo_id.in_(photos)).order_by(ExampleRow.id)
    session.execute(query.with_for_update(key_share=True))


def take_back_of_return(session: Session, who: Caller, row: ReturnRow, reason: str) -> Withdrawn:
    """Takes back what a claimant had agreed to; also once the return is decided. The caller commits.

    Args:
        session: Of a writing transaction, which holds the return.
        who: Enters it.
        row: The return.
        reason: In words.

    Raises:
        Problem: its claim says no such thing.
    """
    if not row.may_teach:
        raise Problem("conflict", "The claim of this return does not let its photos teach.")
    found = withdraw(session, who, [one.photo_id for one in row.photos if one.photo_id is not None], reason)
    row.may_teach = False
    row.version += 1
    append(
        session,
        who.name,
        "changed",
        "return",
        row.id,
        before={"may_teach": True},
        after={"may_teach": False},
    )
    session.flush()
    session.refresh(row)
    return found


def demand_desk(who: Caller) -> None:
    """Raises Problem for whoever may not change a return."""
    if not who.may("returns:write"):
        raise Problem("not-allowed", "Only the returns desk or an administrator can say so.")


def _demand_administrator(who: Caller) -> None:
    if who.role != "administrator":
        raise Problem("not-allowed", "Only an administrator can permit the photos of others in one step.")


__all__ = [
    "OF_RETURN",
    "Permitted",
    "Withdrawn",
    "demand_desk",
    "follow_return",
    "hold_examples",
    "is_permitted",
    "joined",
    "permit",
    "photos_of_grade",
    "photos_of_inspections",
    "photos_of_returns",
    "put_back",
    "return_photos",
    "take_back_of_return",
    "withdraw",
]
