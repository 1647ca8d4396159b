"""The tables. Rows stay in ``store`` and ``services``; what leaves them is shaped in ``routes/schemas.py``."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import JSON, DateTime, Dialect, ForeignKey, MetaData, String, Text, TypeDecorator
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

if TYPE_CHECKING:
    from wearvision_api.store.teaching_tables import AskedRow


def now() -> datetime:
    """The time, in UTC."""
    return datetime.now(UTC)


def new_id() -> str:
    """A fresh record id."""
    return str(uuid.uuid4())


class Instant(TypeDecorator[datetime]):
    """A moment in UTC; SQLite forgets the zone, so it is put back."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database."""
        if value is not None and value.tzinfo is None:
            raise ValueError("a moment needs its time zone")
        return value.astimezone(UTC) if value is not None else None

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Of all tables; constraints have names, so that migrations can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {datetime: Instant, dict[str, Any]: JSON, list[Any]: JSON}  # noqa: RUF012


Id = String(36)


class Account(Base):
    """Who may log in, or who asks where no log-in is needed."""

    __tablename__ = "accounts"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    role: Mapped[str] = mapped_column(String(20))
    password: Mapped[str] = mapped_column(Text, default="")
    """Argon2 hash; empty: no log-in by password."""
    active: Mapped[bool] = mapped_column(default=True)
    created_at: Mapped[datetime] = mapped_column(default=now)
    failures: Mapped[int] = mapped_column(default=0)
    """Wrong passwords in a row."""
    failed_at: Mapped[datetime | None]


class Login(Base):
    """One browser's log-in; its cookie is stored as a hash only."""

    __tablename__ = "logins"
    id: Mapped[str] = mapped_column(String(64), primary_key=True)
    """SHA-256 of the cookie's secret."""
    account_id: Mapped[str] = mapped_column(ForeignKey("accounts.id"), index=True)
    created_at: Mapped[datetime] = mapped_column(default=now)
    ends_at: Mapped[datetime]
    seen_at: Mapped[datetime | None]
    """When it was last used, within ten minutes; None: not since it was opened."""
    account: Mapped[Account] = relationship()


class Try(Base):
    """Wrong log-ins of one kind in a row; kept here, so that all processes count together."""

    __tablename__ = "tries"
    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    """SHA-256 of the name, the place or both; see ``accounts/delay.py``."""
    failures: Mapped[int] = mapped_column(default=0)
    failed_at: Mapped[datetime | None] = mapped_column(index=True)
    good_at: Mapped[datetime | None]
    """Of a browser that has logged into the account before: when it last did."""


class Token(Base):
    """A program's key; stored as a hash only."""

    __tablename__ = "tokens"
    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    account_id: Mapped[str] = mapped_column(ForeignKey("accounts.id"), index=True)
    name: Mapped[str] = mapped_column(String(80))
    scopes: Mapped[list[Any]]
    created_at: Mapped[datetime] = mapped_column(default=now)
    ends_at: Mapped[datetime | None]
    used_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]
    account: Mapped[Account] = relationship()


class Reply(Base):
    """What was answered to an idempotency key, so that a retry gets the same."""

    __tablename__ = "replies"
    account_id: Mapped[str] = mapped_column(ForeignKey("accounts.id"), primary_key=True)
    key: Mapped[str] = mapped_column(String(200), primary_key=True)
    fingerprint: Mapped[str] = mapped_column(String(64))
    status: Mapped[int]
    body: Mapped[dict[str, Any]]
    created_at: Mapped[datetime] = mapped_column(default=now, index=True)


class SchemaFloor(Base):
    """One row: the oldest revision whose programs still work on these tables; see ``store/schema.py``."""

    __tablename__ = "schema_floor"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    revision: Mapped[str] = mapped_column(String(32))


class Owned:
    """Columns of every record that somebody makes."""

    id: Mapped[str] = mapped_column(Id, primary_key=True, default=new_id)
    owner_id: Mapped[str] = mapped_column(ForeignKey("accounts.id"), index=True)
    created_at: Mapped[datetime] = mapped_column(default=now, index=True)


class PhotoRow(Owned, Base):
    """A photo; its bytes lie as a blob under their hash."""

    __tablename__ = "photos"
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    media_type: Mapped[str] = mapped_column(String(40))
    bytes: Mapped[int]
    width: Mapped[int]
    height: Mapped[int]
    taken_at: Mapped[str | None] = mapped_column(String(40))
    """What the camera says, its local time without zone."""
    purpose: Mapped[str] = mapped_column(String(20))
    erased_at: Mapped[datetime | None]
    """When its bytes were erased on a lawful request; a tombstone tells by whom and why."""


class Machine(Owned, Base):
    """A heating machine under somebody's own identifier."""

    __tablename__ = "machines"
    identifier: Mapped[str] = mapped_column(String(80), unique=True)
    description: Mapped[str] = mapped_column(Text, default="")
    hours: Mapped[float | None]
    """Newest reading of the hour meter."""
    interval_hours: Mapped[int]
    interval_days: Mapped[int]
    notes: Mapped[str] = mapped_column(Text, default="")
    version: Mapped[int] = mapped_column(default=1)
    references: Mapped[list[InstalledPhoto]] = relationship(order_by="InstalledPhoto.part", back_populates="machine")
    meter: Mapped[list[MeterReading]] = relationship(order_by="MeterReading.at, MeterReading.created_at")


class MeterReading(Owned, Base):
    """What a machine's hour meter read; running hours are reckoned from all of them."""

    __tablename__ = "meter_readings"
    machine_id: Mapped[str] = mapped_column(ForeignKey("machines.id"), index=True)
    inspection_id: Mapped[str | None] = mapped_column(ForeignKey("inspections.id"), unique=True)
    """The visit at which it was read, if it was at one."""
    at: Mapped[datetime]
    hours: Mapped[float]
    reason: Mapped[str] = mapped_column(Text, default="")
    """Why the meter reads less than before, such as a meter replaced; empty: it ran on."""


class InstalledPhoto(Base):
    """The photo of a part *as installed*, to grade later ones beside it."""

    __tablename__ = "installed_photos"
    machine_id: Mapped[str] = mapped_column(ForeignKey("machines.id"), primary_key=True)
    part: Mapped[str] = mapped_column(String(20), primary_key=True)
    photo_id: Mapped[str] = mapped_column(ForeignKey("photos.id"))
    kept_at: Mapped[datetime] = mapped_column(default=now)
    machine: Mapped[Machine] = relationship(back_populates="references")


class Inspection(Owned, Base):
    """A visit to a machine."""

    __tablename__ = "inspections"
    machine_id: Mapped[str] = mapped_column(ForeignKey("machines.id"), index=True)
    begun_at: Mapped[datetime] = mapped_column(default=now)
    closed_at: Mapped[datetime | None]
    hours: Mapped[float | None]
    """Hour meter at the visit."""
    notes: Mapped[str] = mapped_column(Text, default="")
    serviced: Mapped[bool] = mapped_column(default=False)
    """Whether this visit was the service from which the next one is reckoned."""
    version: Mapped[int] = mapped_column(default=1)
    machine: Mapped[Machine] = relationship()
    owner: Mapped[Account] = relationship()
    grades: Mapped[list[GradeRow]] = relationship(order_by="GradeRow.created_at", back_populates="inspection")
    entries: Mapped[list[Entry]] = relationship(order_by="Entry.created_at")


class Entry(Owned, Base):
    """A line of an inspection: a setting measured, a cause looked at, a part used."""

    __tablename__ = "entries"
    inspection_id: Mapped[str] = mapped_column(ForeignKey("inspections.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    """``setting``, ``cause`` or ``part``."""
    body: Mapped[dict[str, Any]]


class GradeRow(Owned, Base):
    """What photos of one part came to, and what followed."""

    __tablename__ = "grades"
    inspection_id: Mapped[str | None] = mapped_column(ForeignKey("inspections.id"), index=True)
    reference_id: Mapped[str | None] = mapped_column(ForeignKey("photos.id"))
    part: Mapped[str | None] = mapped_column(String(20), index=True)
    grade: Mapped[str | None] = mapped_column(String(20))
    report: Mapped[dict[str, Any]]
    pictures: Mapped[list[Any]]
    """Per photo the blobs of the judged square, ``{"plain", "outlined"}``, or ``{"erased": when}``."""
    after_id: Mapped[str | None] = mapped_column(ForeignKey("grades.id"))
    """The grade of the photo after wiping."""
    wiping: Mapped[dict[str, Any] | None]
    verdict: Mapped[dict[str, Any] | None]
    override: Mapped[dict[str, Any] | None]
    outcome: Mapped[dict[str, Any] | None]
    version: Mapped[int] = mapped_column(default=1)
    inspection: Mapped[Inspection | None] = relationship(back_populates="grades")
    photos: Mapped[list[GradePhoto]] = relationship(order_by="GradePhoto.place", back_populates="grade")
    readings: Mapped[list[ReadingRow]] = relationship(order_by="ReadingRow.created_at")
    owner: Mapped[Account] = relationship()
    asked: Mapped[AskedRow | None] = relationship("AskedRow", back_populates="grade")
    """Which hand check was asked for; None for grades from before that was kept, and those that need none."""


class GradePhoto(Base):
    """Which photos a grade was made from, in order."""

    __tablename__ = "grade_photos"
    grade_id: Mapped[str] = mapped_column(ForeignKey("grades.id"), primary_key=True)
    place: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[str] = mapped_column(ForeignKey("photos.id"), index=True)
    grade: Mapped[GradeRow] = relationship(back_populates="photos")
    photo: Mapped[PhotoRow] = relationship()


class ReadingRow(Owned, Base):
    """A hand check's reading as it was entered; a later one of the same check replaces it in the verdict."""

    __tablename__ = "readings"
    grade_id: Mapped[str] = mapped_column(ForeignKey("grades.id"), index=True)
    check: Mapped[str] = mapped_column("check_id", String(60))
    value: Mapped[dict[str, Any]]
    """``{"value": …, "unit": …}`` as entered."""
    finding: Mapped[dict[str, Any]]


class Walk(Owned, Base):
    """A path walked from a symptom."""

    __tablename__ = "walks"
    inspection_id: Mapped[str | None] = mapped_column(ForeignKey("inspections.id"), index=True)
    start: Mapped[str] = mapped_column(String(60))
    steps: Mapped[list[Any]]
    version: Mapped[int] = mapped_column(default=1)


__all__ = [
    "Account",
    "Base",
    "Entry",
    "GradePhoto",
    "GradeRow",
    "Inspection",
    "InstalledPhoto",
    "Instant",
    "Login",
    "Machine",
    "MeterReading",
    "PhotoRow",
    "ReadingRow",
    "Reply",
    "Token",
    "Walk",
    "new_id",
    "now",
]
