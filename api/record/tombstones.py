"""What stands for a photo erased on a lawful request: signed, so that a photo merely lost cannot pass for it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.record.chain import canonical
from wearvision_api.record.heads import known_keys
from wearvision_api.record.keys import RecordKey, is_signed
from wearvision_api.record.verify import PhotoCheck
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.record_tables import LogRow, Tombstone
from wearvision_api.store.tables import GradePhoto, GradeRow, PhotoRow
from wearvision_api.store.teaching_tables import DataSetPhoto, ExampleRow

FORM = "wearvision tombstone 1"
ERASED, KIND = "erased", "photo"
"""Verb and kind of the entry that goes with a tombstone."""
REMEMBERED = 1 << 16
"""Photos whose check is not made again while a chain is walked."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a tombstone says.

    Attributes:
        photo: Id of its record.
        sha256: Of its bytes.
        pictures: Hashes of the pictures made of it for its grades, and of masks and labels of data sets.
        at: When; UTC.
        by: Account name of who erased it.
        reason: Why, as it was given.
    """

    photo: str
    sha256: str
    pictures: tuple[str, ...]
    at: str
    by: str
    reason: str


def inscribe(key: RecordKey, said: Said) -> Tombstone:
    """A signed tombstone."""
    members = {name: getattr(said, name) for name in Said.__slots__}
    body = canonical({"form": FORM} | members)
    return Tombstone(
        photo_id=said.photo,
        sha256=said.sha256,
        body=body.decode(),
        public_key=key.public,
        signature=key.sign(body),
    )


def read(row: Tombstone) -> Said:
    """What a tombstone says. Raises ValueError where its body is none."""
    try:
        members = json.loads(row.body)
        if members.pop("form") == FORM:
            return Said(**members | {"pictures": tuple(members["pictures"])})
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError("the body of a tombstone is none") from error
    raise ValueError("the body of a tombstone is of another form")


def fault(session: Session, row: Tombstone, keys: Sequence[str]) -> str:
    """What is wrong with a tombstone; empty: nothing.

    Args:
        session: Of the record.
        row: The tombstone.
        keys: Those that the record names.
    """
    name = f"the tombstone of photo {row.photo_id}"
    if row.public_key not in keys or not is_signed(row.public_key, row.signature, row.body.encode()):
        return f"{name} is not signed by a key of the record"
    try:
        said = read(row)
    except ValueError:
        return f"{name} has no readable body"
    if (said.photo, said.sha256) != (row.photo_id, row.sha256):
        return f"{name} has columns that differ from what was signed"
    told = select(LogRow.entry).where(LogRow.subject == row.photo_id, LogRow.kind == KIND, LogRow.what == ERASED)
    if not any(json.loads(entry)["after"]["tombstone"] == row.signature for entry in session.scalars(told)):
        return f"{name} has no entry in the record"
    return ""


def fallen(session: Session) -> str:
    """What is wrong with the first tombstone that is not as it should be, or gone; empty: nothing."""
    keys = known_keys(session)
    standing = set()
    for row in session.scalars(select(Tombstone).order_by(Tombstone.photo_id).execution_options(yield_per=200)):
        if reason := fault(session, row, keys):
            return reason
        standing.add(row.photo_id)
    told = select(LogRow.subject).where(LogRow.kind == KIND, LogRow.what == ERASED)
    lost = sorted(set(session.scalars(told)) - standing)
    return f"the tombstone of photo {lost[0]} is gone" if lost else ""


def photo_check(sessions: Callable[[], Session], blobs: Blobs) -> PhotoCheck:
    """Looks up the photos that entries name: their bytes must be there and give the hash, or a tombstone stands.

    Args:
        sessions: Opens a session for reading; a fresh one knows what was erased while the chain was walked.
        blobs: The store.
    """

    @lru_cache(REMEMBERED)
    def check(name: str) -> str:
        try:
            data = blobs.get(name)
        except FileNotFoundError:
            with sessions() as session:
                stones = session.scalars(select(Tombstone).where(Tombstone.sha256 == name)).all()
                keys = known_keys(session)
                reasons = [fault(session, one, keys) for one in stones]
            return next(filter(None, reasons), "") if reasons else f"the photo {name} is gone, and nothing tells why"
        return "" if sha256(data).hexdigest() == name else f"the photo {name} was changed: its bytes give another hash"

    return check


def to_remove(session: Session) -> Iterator[str]:
    """Hashes of what was erased and no living record holds: their bytes must go, wherever they still lie.

    The same photo may have been sent twice; pictures made of the same bytes are the same bytes.
    """
    for row in session.scalars(select(Tombstone)).all():
        living = select(PhotoRow.id).where(PhotoRow.sha256 == row.sha256, PhotoRow.erased_at.is_(None))
        if session.scalar(living.limit(1)) is None:
            yield row.sha256
        yield from set(read(row).pictures) - _pictures_of(session, row.sha256)


def _pictures_of(session: Session, digest: str) -> set[str]:
    """Pictures, masks and labels that grades, data sets and examples still hold of photos with these bytes."""
    query = (
        select(GradeRow.pictures)
        .join(GradePhoto, GradePhoto.grade_id == GradeRow.id)
        .join(PhotoRow, PhotoRow.id == GradePhoto.photo_id)
        .where(PhotoRow.sha256 == digest)
    )
    found = {name for pictures in session.scalars(query) for one in pictures for name in one.values()}
    for pieces in session.scalars(select(DataSetPhoto.pieces).where(DataSetPhoto.sha256 == digest)):
        found |= set(pieces.values())
    for brought in session.scalars(select(ExampleRow.brought).where(ExampleRow.sha256 == digest)):
        found |= set((brought or {}).get("masks", {}).values())
    return found
