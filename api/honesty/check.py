"""Is this photo what it is taken for? Looks for the same exposure in other returns, and at what file and tag say.

Each suspicion is a question to a person, with its figures. None refuses anything by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.capture import read_capture
from wearvision.photo import Photo, read_photo
from wearvision.standard.views import wanted_views
from wearvision_api.honesty import index
from wearvision_api.honesty.dates import ask_dates
from wearvision_api.honesty.details import Marked, mark
from wearvision_api.honesty.neighbours import expected, own_references
from wearvision_api.honesty.overlay import Sheet
from wearvision_api.honesty.picture import normal_picture, pack, unpack
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.honesty_tables import Likeness
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow

SAME, NEARLY, SERIAL, OTHER_TAG, NO_TAG = (
    "same photo",
    "nearly the same photo",
    "same serial",
    "tag of another return",
    "no tag",
)
COMPARED = 10
"""Earlier photos that a new one is laid over, those with most shared details first."""
_FETCHED = 100  # some of the nearest are expected neighbours
_NAMED = 3  # other returns named for one reason


class HasBlobs(Protocol):
    """What holds the photos: a house, or what stands in for one while a backup is restored."""

    @property
    def blobs(self) -> Blobs:
        """The store."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Something that a person must look at.

    Attributes:
        kind: One of the kinds of this room: ``"same photo"``, ``"no tag"``, …
        reason: In plain words, with figures.
        other: Photo of the other return, to be shown side by side; None: there is none.
    """

    kind: str
    reason: str
    other: ReturnPhoto | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What is compared of a photo; takes a tenth of a second to make and needs no transaction."""

    picture: bytes
    marked: Marked


def see(data: bytes) -> Seen:
    """What is compared of a photo's bytes.

    Raises:
        wearvision.errors.PhotoError: they are no photo that can be read.
    """
    return see_photo(read_photo(data))


def see_photo(photo: Photo) -> Seen:
    """What is compared of a photo that was read."""
    packed = pack(normal_picture(photo.image))
    return Seen(packed, mark(unpack(packed)))


def remember(house: HasBlobs, session: Session, row: ReturnPhoto, seen: Seen | None = None) -> None:
    """Puts a photo of a return into the index, in the caller's transaction; one that is there stays.

    Args:
        house: Holds the photos.
        session: The caller commits.
        row: The photo; its bytes are on disk.
        seen: What ``see`` made of its bytes, where the caller has it.
    """
    there = session.scalar(select(Likeness).where(Likeness.return_photo_id == row.id))
    if there is not None and there.made_by == index.MADE_BY:
        return
    if there is not None:
        index.drop(session, [there])
    seen = seen or see(house.blobs.get(row.sha256))
    index.keep(session, row.id, seen.picture, seen.marked)


def forget(session: Session, photo_id: str) -> None:
    """Takes a photo that is to be erased out of the index; the caller commits, and erases it afterwards.

    Args:
        session: Of the erasing transaction.
        photo_id: Id of the photo's record. Its SHA-256 stays with the return, so the same file is still known.
    """
    of_photo = select(Likeness).join(Likeness.photo).where(ReturnPhoto.photo_id == photo_id)
    index.drop(session, session.scalars(of_photo).all())


def look(
    house: HasBlobs, session: Session, claim: ReturnRow, row: ReturnPhoto, seen: Seen | None = None
) -> list[Suspicion]:
    """What somebody should look at about a photo of a claim.

    Args:
        house: Holds the photos.
        session: For reading.
        claim: The return that the photo was put to.
        row: The photo.
        seen: As for ``remember``.
    """
    found = [*_same_file(session, claim, row)]
    known = {one.other.id for one in found if one.other is not None}
    found += _same_exposure(session, claim, row, seen or see(house.blobs.get(row.sha256)), known)
    found += _tags(session, claim, row)
    found += ask_capture(house, claim, row)
    found += ask_serial(session, claim)
    return found


def ask_capture(house: HasBlobs, claim: ReturnRow, row: ReturnPhoto) -> list[Suspicion]:
    """What a photo's capture data say beside the dates of its claim."""
    view = next((one for one in wanted_views(claim.part) if one.key == row.view), None)
    asked = ask_dates(
        read_capture(house.blobs.get(row.sha256)),
        received=row.created_at,
        installed_on=claim.installed_on,
        returned_on=claim.returned_on,
        shows_part=view is not None and view.graded,
        at_the_desk=_number(row) == claim.number,
    )
    return [Suspicion(kind, reason) for kind, reason in asked]


def _same_file(session: Session, claim: ReturnRow, row: ReturnPhoto) -> Iterator[Suspicion]:
    same = (
        select(ReturnPhoto, ReturnRow)
        .join(ReturnRow, ReturnRow.id == ReturnPhoto.return_id)
        .where(ReturnPhoto.sha256 == row.sha256, ReturnPhoto.return_id != claim.id)
        .order_by(ReturnPhoto.created_at, ReturnPhoto.id)
    )
    references = own_references(session, claim)
    others = [
        (photo, other) for photo, other in session.execute(same) if not expected(claim, row, other, photo, references)
    ]
    for photo, other in others[:_NAMED]:
        more = f" It lies in {len(others)} other returns." if len(others) > 1 else ""
        text = f"The very same file is a photo of return {other.number}, put there on {photo.created_at:%Y-%m-%d}."
        yield Suspicion(SAME, text + more, photo)


def _same_exposure(
    session: Session, claim: ReturnRow, row: ReturnPhoto, seen: Seen, known: set[str]
) -> Iterator[Suspicion]:
    numbers = index.nearest(session, seen.marked.probes(), _FETCHED)
    query = (
        select(Likeness.number, ReturnPhoto, ReturnRow)
        .join(ReturnPhoto, ReturnPhoto.id == Likeness.return_photo_id)
        .join(ReturnRow, ReturnRow.id == ReturnPhoto.return_id)
        .where(Likeness.number.in_(numbers), ReturnPhoto.return_id != claim.id)
    )
    references = own_references(session, claim)
    near = {number: (photo, other) for number, photo, other in session.execute(query)}
    others = [
        number
        for number in numbers
        if number in near
        and near[number][0].id not in known
        and near[number][0].sha256 != row.sha256
        and not expected(claim, row, near[number][1], near[number][0], references)
    ][:COMPARED]
    if not others:
        return
    of_number = select(Likeness.number, Likeness.picture).where(Likeness.number.in_(others))
    pictures = dict(session.execute(of_number).all())
    sheet = Sheet.of(unpack(seen.picture))
    for number in others:
        laid = sheet.over(unpack(pictures[number]))
        if laid.same:
            photo, other = near[number]
            text = (
                f"Laid over a photo of return {other.number}, put there on {photo.created_at:%Y-%m-%d}, it is the same "
                f"exposure: {laid.words()}."
            )
            yield Suspicion(NEARLY, text, photo)


def _tags(session: Session, claim: ReturnRow, row: ReturnPhoto) -> Iterator[Suspicion]:
    numbers = [_number(row), *((row.tag or {}).get("others") or [])]
    others = [number for number in dict.fromkeys(numbers) if number and number != claim.number]
    for number in others:
        photo = session.scalar(
            select(ReturnPhoto)
            .join(ReturnRow, ReturnRow.id == ReturnPhoto.return_id)
            .where(ReturnRow.number == number)
            .order_by(ReturnPhoto.created_at, ReturnPhoto.id)
        )
        text = f"The tag in the photo says {number}; this is return {claim.number}."
        yield Suspicion(OTHER_TAG, text, photo)
    if not any(numbers):
        yield Suspicion(NO_TAG, f"No return tag is read in it; {claim.number} should lie beside the part.")


def _number(row: ReturnPhoto) -> str | None:
    number = (row.tag or {}).get("number")
    return str(number) if number else None


def ask_serial(session: Session, claim: ReturnRow) -> Iterator[Suspicion]:
    """Other returns with the claim's serial number; once for each of them, not for each photo."""
    serial = claim.serial.strip()
    if not serial:
        return
    told = set(session.scalars(select(Flag.reason).where(Flag.return_id == claim.id, Flag.kind == SERIAL)))
    written = {claim.serial, serial, serial.upper(), serial.lower()}
    query = select(ReturnRow).where(
        ReturnRow.serial.in_(written), ReturnRow.part == claim.part, ReturnRow.id != claim.id
    )
    for other in session.scalars(query.order_by(ReturnRow.created_at, ReturnRow.id).limit(_NAMED)):
        text = f"Serial number {serial} came back before, in return {other.number} of {other.returned_on}."
        if text not in told:
            photo = session.scalar(
                select(ReturnPhoto)
                .where(ReturnPhoto.return_id == other.id)
                .order_by(ReturnPhoto.created_at, ReturnPhoto.id)
            )
            yield Suspicion(SERIAL, text, photo)
