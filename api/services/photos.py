"""Takes photos in and hands them out: bytes kept as they came, what others download without the place of taking."""

from __future__ import annotations

import io
import uuid
from dataclasses import asdict, dataclass
from typing import BinaryIO

import numpy as np
from PIL import Image
from sqlalchemy import Select, exists, or_, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from wearvision.photo import Photo, ReadLimits, read_photo
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.store.tables import GradePhoto, GradeRow, InstalledPhoto, PhotoRow, new_id

MEDIA_TYPES = {
    "JPEG": "image/jpeg",
    "PNG": "image/png",
    "WEBP": "image/webp",
    "TIFF": "image/tiff",
    "HEIF": "image/heif",
    "GIF": "image/gif",
    "BMP": "image/bmp",
}
QUALITY = 90
FORMS = uuid.UUID("0d9b5a0c-8d0f-4a53-9d57-3f3f0f8f1c11")
"""Names the ids of photos that came with a form."""


@dataclass(frozen=True, slots=True)
class Stored:
    """A photo whose bytes are on disk, with what they say of it; no record names it yet."""

    sha256: str
    media_type: str
    bytes: int
    width: int
    height: int
    taken_at: str | None


def received(house: House, file: BinaryIO) -> bytes:
    """The bytes of an upload.

    Raises:
        Problem: there are more than the setting ``max_upload_mb`` allows; no more than that is read.
    """
    most = house.settings.max_upload_mb * 2**20
    data = file.read(most + 1)
    if len(data) > most:
        raise Problem("too-large", f"The photo has more than {house.settings.max_upload_mb} MiB; send a smaller copy.")
    return data


def store(house: House, data: bytes) -> Stored:
    """Reads a photo and brings its bytes to disk; takes a while, and needs no transaction.

    Raises:
        wearvision.errors.PhotoError: the bytes are no photo that can be read; nothing is kept.
    """
    return keep(house, data, read(house, data))


def read(house: House, data: bytes) -> Photo:
    """An upload as a photo, as large as the setting ``max_upload_mb`` allows.

    Raises:
        wearvision.errors.PhotoError: the bytes are no photo that can be read.
    """
    with house.work.look():
        return read_photo(data, limits=ReadLimits(max_bytes=house.settings.max_upload_mb * 2**20))


def keep(house: House, data: bytes, photo: Photo) -> Stored:
    """Brings the bytes of a photo that was read to disk."""
    height, width = photo.full_size
    return Stored(
        sha256=house.blobs.put(data),
        media_type=MEDIA_TYPES.get(photo.format, "application/octet-stream"),
        bytes=len(data),
        width=width,
        height=height,
        taken_at=photo.taken.isoformat() if photo.taken else None,
    )


def take(
    house: House, session: Session, who: Caller, data: bytes, purpose: str, record_id: str | None = None
) -> PhotoRow:
    """Keeps a photo. The bytes are on disk before the record says so; the caller commits.

    Raises:
        wearvision.errors.PhotoError: the bytes are no photo that can be read; nothing is kept.
    """
    return record(session, who, store(house, data), purpose, record_id)


def record(session: Session, who: Caller, stored: Stored, purpose: str, record_id: str | None = None) -> PhotoRow:
    """Makes the record of a photo whose bytes are on disk; the caller commits."""
    row = PhotoRow(id=record_id or new_id(), owner_id=who.id, purpose=purpose, **asdict(stored))
    session.add(row)
    session.flush()
    return row


def record_once(session: Session, who: Caller, stored: Stored, purpose: str, form: str, place: int) -> PhotoRow:
    """Like ``record``; a form that is sent again finds the photo that it left behind when its grading did not end.

    Args:
        session: Of a writing transaction.
        who: Whose photo it is.
        stored: The photo.
        purpose: When it was taken.
        form: What the form shown carries; empty: every photo is a new one.
        place: Of the photo in the form.
    """
    if not form:
        return record(session, who, stored, purpose)
    record_id = str(uuid.uuid5(FORMS, f"{who.id} {form} {place} {stored.sha256}"))
    try:
        with session.begin_nested():
            return session.get(PhotoRow, record_id) or record(session, who, stored, purpose, record_id)
    except IntegrityError:  # the form was sent twice, and the other one has just come first
        return session.get_one(PhotoRow, record_id)


def visible(who: Caller) -> Select[PhotoRow]:
    """The photos that somebody may see: own ones, and those of inspections and machines."""
    query = select(PhotoRow)
    if who.sees_all:
        return query
    inspected = exists().where(
        GradePhoto.photo_id == PhotoRow.id,
        GradeRow.id == GradePhoto.grade_id,
        GradeRow.inspection_id.is_not(None),
    )
    installed = exists().where(InstalledPhoto.photo_id == PhotoRow.id)
    return query.where(or_(PhotoRow.owner_id == who.id, inspected, installed))


def find(session: Session, who: Caller, photo_id: str) -> PhotoRow:
    """A photo that the caller may see.

    Raises:
        Problem: there is none; one that others may see only is none, too.
    """
    row = session.scalar(visible(who).where(PhotoRow.id == photo_id))
    if row is None:
        raise Problem("not-found", f"There is no photo {photo_id}.")
    return row


def demand_kept(row: PhotoRow) -> PhotoRow:
    """A photo whose bytes are there.

    Raises:
        Problem: they were erased on a lawful request.
    """
    if row.erased_at is not None:
        raise Problem("gone", f"The photo was erased on {row.erased_at:%Y-%m-%d}.")
    return row


def content(house: House, row: PhotoRow, who: Caller, width: int | None) -> tuple[bytes, str]:
    """Bytes and media type for a download.

    The owner gets the file as it came; others, and whoever asks for a width, get an upright JPEG without any EXIF
    unless the setting ``keep_location`` leaves it.

    Raises:
        Problem: the bytes were erased.
    """
    demand_kept(row)
    data = house.blobs.get(row.sha256)
    own = row.owner_id == who.id or house.settings.keep_location
    if own and width is None:
        return data, row.media_type
    photo = read_photo(data, working_px=max(64, width or max(row.width, row.height)))
    return jpeg(photo.image), "image/jpeg"


def jpeg(image: np.ndarray) -> bytes:
    """An RGB picture as JPEG bytes without any metadata."""
    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
