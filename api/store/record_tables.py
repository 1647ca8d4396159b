"""The tables of the record. Both are append-only: the database itself refuses to change or delete their rows."""

from __future__ import annotations

from sqlalchemy import String, Text
from sqlalchemy.orm import Mapped, mapped_column

from wearvision_api.store.tables import Base, Id

APPEND_ONLY = ("record_entries", "tombstones")
"""Tables whose rows a trigger guards. That stops accidents; whoever can drop a trigger is found by the chain."""


class LogRow(Base):
    """One step that somebody took; see ``record/chain.py`` for what each column means.

    It refers to no other table: it must outlive what it tells of.
    """

    __tablename__ = "record_entries"
    place: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(String(27), index=True)
    who: Mapped[str] = mapped_column(String(80))
    what: Mapped[str] = mapped_column(String(60))
    kind: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str] = mapped_column(String(80), index=True)
    entry: Mapped[str] = mapped_column(Text)
    previous: Mapped[str] = mapped_column(String(64), unique=True)
    """Unique: no two entries can follow the same one."""
    digest: Mapped[str] = mapped_column(String(64), unique=True)


class Tombstone(Base):
    """What a photo leaves that was erased on a lawful request."""

    __tablename__ = "tombstones"
    photo_id: Mapped[str] = mapped_column(Id, primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    """Of the photo, as in the body."""
    body: Mapped[str] = mapped_column(Text)
    """What was signed, as text: photo, hash, pictures made of it, who, when, why."""
    public_key: Mapped[str] = mapped_column(String(64))
    signature: Mapped[str] = mapped_column(String(128))


__all__ = ["APPEND_ONLY", "LogRow", "Tombstone"]
