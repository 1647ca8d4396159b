"""Erases a photo on a lawful request, such as one under a law on personal data.

Its bytes, the pictures made of it, the likeness that it is compared by, and masks and drawings over it go; its record
stays, emptied, so that grades and returns still say that there was one. A signed tombstone and an entry of the record
tell who erased it, when and why, and which data sets and models saw it: a model keeps what it learned. A backup made
before holds the photo still: erase it there by restoring and erasing again, or let the backup go.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from wearvision_api.honesty.check import forget
from wearvision_api.problems import Problem
from wearvision_api.record import tombstones
from wearvision_api.record.chain import moment
from wearvision_api.record.keys import RecordKey
from wearvision_api.record.ledger import append
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.record_tables import Tombstone
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow
from wearvision_api.store.tables import GradePhoto, GradeRow, InstalledPhoto, Machine, PhotoRow, now
from wearvision_api.teaching.erasing import forget as forget_taught
from wearvision_api.teaching.erasing import remove_copies
from wearvision_api.teaching.seen import seen_by

IDLE_S = 60.0
"""Bytes that somebody sent a moment ago are left until that request is over; longer than any takes to record them."""
SETTLED = "decided"
"""The state of a return that holds its photos no longer."""


def erase(session: Session, key: RecordKey, who: str, photo_id: str, reason: str) -> Tombstone:
    """Takes a photo out of the records; the caller commits, then calls ``remove_bytes``.

    Args:
        session: Of a writing transaction.
        key: Signs the tombstone.
        who: Account name.
        photo_id: Of its record.
        reason: Why; becomes part of the record for good.

    Raises:
        Problem: there is no such photo, it was erased before, or an open return holds it.
    """
    photo = session.get(PhotoRow, photo_id, with_for_update=True)
    if photo is None:
        raise Problem("not-found", f"There is no photo {photo_id}.")
    if photo.erased_at is not None:
        raise Problem("gone", f"The photo was erased on {photo.erased_at:%Y-%m-%d} already.")
    _hold_returns(session, photo_id)
    if numbers := holding(session, photo_id):
        raise Problem(
            "conflict", f"The photo is evidence in return {', '.join(numbers)}, which is not decided; decide it first."
        )
    at = now()
    seen = seen_by(session, photo_id)
    grades, pictures = _drop_pictures(session, photo_id, moment(at))
    pictures += forget_taught(session, photo, who, at, reason)
    machines = _drop_installed(session, photo_id)
    forget(session, photo_id)
    returns = session.scalars(select(ReturnPhoto.return_id).where(ReturnPhoto.photo_id == photo_id)).all()
    session.execute(update(ReturnPhoto).where(ReturnPhoto.photo_id == photo_id).values(photo_id=None))
    photo.erased_at, photo.taken_at = at, None
    stone = tombstones.inscribe(key, tombstones.Said(photo_id, photo.sha256, tuple(pictures), moment(at), who, reason))
    session.add(stone)
    append(
        session,
        who,
        tombstones.ERASED,
        tombstones.KIND,
        photo_id,
        before={"sha256": photo.sha256, "returns": sorted(returns), "grades": grades, "machines": machines}
        | seen.to_dict(),
        after={"reason": reason, "tombstone": stone.signature},
    )
    return stone


def _hold_returns(session: Session, photo_id: str) -> None:
    """Keeps the returns with this photo as they are: none may be opened again by an objection meanwhile."""
    own = select(ReturnPhoto.return_id).where(ReturnPhoto.photo_id == photo_id)
    session.execute(
        select(ReturnRow.id).where(ReturnRow.id.in_(own)).order_by(ReturnRow.id).with_for_update(key_share=True)
    )


def holding(session: Session, photo_id: str) -> list[str]:
    """Numbers of the open returns that need a photo: as one of their own, beside one, or behind their grade."""
    own = select(ReturnPhoto.return_id).where(ReturnPhoto.photo_id == photo_id)
    shown = select(ReturnPhoto.id).where(ReturnPhoto.photo_id == photo_id)
    beside = select(Flag.return_id).where(or_(Flag.return_photo_id.in_(shown), Flag.other_photo_id.in_(shown)))
    judged = select(GradePhoto.grade_id).where(GradePhoto.photo_id == photo_id)
    compared = select(GradeRow.id).where(GradeRow.reference_id == photo_id)
    query = select(ReturnRow.number).where(
        ReturnRow.state != SETTLED,
        or_(
            ReturnRow.id.in_(own),
            ReturnRow.id.in_(beside),
            ReturnRow.grade_id.in_(judged),
            ReturnRow.grade_id.in_(compared),
        ),
    )
    return list(session.scalars(query.order_by(ReturnRow.number)))


def same_bytes(session: Session, photo_id: str) -> list[str]:
    """Ids of living records of the very same photo; while there is one, the bytes stay."""
    digest = select(PhotoRow.sha256).where(PhotoRow.id == photo_id).scalar_subquery()
    query = select(PhotoRow.id).where(PhotoRow.sha256 == digest, PhotoRow.id != photo_id, PhotoRow.erased_at.is_(None))
    return list(session.scalars(query.order_by(PhotoRow.id)))


def remove_bytes(session: Session, blobs: Blobs, *, idle_s: float = IDLE_S, trainings: Path | None = None) -> list[str]:
    """Removes the bytes of all that was erased; those that are in use at this moment go at the next call.

    Args:
        session: For reading.
        blobs: The store.
        idle_s: How long nobody must have put them.
        trainings: Folder in which this machine has written data sets out for trainings; None: it has not.

    Returns:
        Hashes of what was removed.
    """
    gone = sorted(set(tombstones.to_remove(session)))
    if trainings is not None:
        remove_copies(trainings, gone)
    return [name for name in gone if blobs.discard(name, idle_s=idle_s)]


def _drop_pictures(session: Session, photo_id: str, at: str) -> tuple[list[str], list[str]]:
    """Ids of the grades made from a photo and hashes of its pictures there, each of which is marked as erased."""
    dropped: list[str] = []
    query = select(GradePhoto.grade_id).where(GradePhoto.photo_id == photo_id).order_by(GradePhoto.grade_id)
    ids = list(dict.fromkeys(session.scalars(query)))
    for grade_id in ids:
        row = session.get_one(GradeRow, grade_id, with_for_update=True)
        place = _picture_place(row, photo_id)
        if place < len(row.pictures) and "erased" not in row.pictures[place]:
            dropped += row.pictures[place].values()
            row.pictures = [{"erased": at} if number == place else one for number, one in enumerate(row.pictures)]
        row.version += 1
    return ids, sorted(set(dropped))


def _picture_place(row: GradeRow, photo_id: str) -> int:
    """Which picture of a grade shows a photo: there is one for each file, in the order in which files first came."""
    digests = {one.photo_id: one.photo.sha256 for one in row.photos}
    return list(dict.fromkeys(digests.values())).index(digests[photo_id])


def _drop_installed(session: Session, photo_id: str) -> list[list[str]]:
    """Machine and part for which the photo was kept as installed; nothing can be graded beside it any more."""
    rows = session.scalars(select(InstalledPhoto).where(InstalledPhoto.photo_id == photo_id)).all()
    found = sorted([row.machine_id, row.part] for row in rows)
    session.execute(delete(InstalledPhoto).where(InstalledPhoto.photo_id == photo_id))
    changed = update(Machine).where(Machine.id.in_([machine for machine, _ in found]))
    session.execute(changed.values(version=Machine.version + 1))
    return found
