"""What is kept of each photo of a return to find the same exposure again: a small picture, and marks in an index."""

from __future__ import annotations

from sqlalchemy import ForeignKey, LargeBinary
from sqlalchemy.orm import Mapped, mapped_column, relationship

from wearvision_api.store.return_tables import ReturnPhoto
from wearvision_api.store.tables import Base


class Likeness(Base):
    """A photo as it is compared; made from the photo alone, so it can be made again."""

    __tablename__ = "likenesses"
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    """Short name for the index, where an id of 36 characters would be most of a row."""
    return_photo_id: Mapped[str] = mapped_column(ForeignKey("return_photos.id"), unique=True)
    picture: Mapped[bytes] = mapped_column(LargeBinary)
    """Grey JPEG of a few kilobytes."""
    marks: Mapped[bytes] = mapped_column(LargeBinary)
    """Keys that stand for it in the index, four bytes each."""
    made_by: Mapped[int]
    """Number of the way in which picture and marks were made."""
    photo: Mapped[ReturnPhoto] = relationship()


class Mark(Base):
    """A detail of a photo, in 24 bits; photos that share several are compared."""

    __tablename__ = "likeness_marks"
    # No foreign key: it would need an index of its own, and the row it names lists its marks itself.
    key: Mapped[int] = mapped_column("mark", primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    """Of the likeness."""
    __table_args__ = {"sqlite_with_rowid": False}  # noqa: RUF012 - the key is the row


__all__ = ["Likeness", "Mark"]
