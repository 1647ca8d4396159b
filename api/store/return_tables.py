"""The tables of the returns desk. Records are changed in place; every step lies in the log besides."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from wearvision_api.store.tables import Account, Base, GradeRow, Id, Machine, Owned, PhotoRow, now


class ReturnRow(Owned, Base):
    """A part that came back, with what is claimed."""

    __tablename__ = "returns"
    number: Mapped[str] = mapped_column(String(20), unique=True)
    """Stands on the return tag: year, count, two check digits after ISO/IEC 7064 MOD 97-10."""
    part: Mapped[str] = mapped_column(String(20), index=True)
    part_number: Mapped[str] = mapped_column(String(60), default="", index=True)
    lot: Mapped[str] = mapped_column(String(60), default="", index=True)
    serial: Mapped[str] = mapped_column(String(60), default="", index=True)
    machine_id: Mapped[str | None] = mapped_column(ForeignKey("machines.id"), index=True)
    machine: Mapped[str] = mapped_column(String(80), default="")
    """The machine's own identifier as the claimant gives it."""
    hours_installed: Mapped[float | None]
    """What the hour meter read when the part was fitted."""
    hours_failed: Mapped[float | None]
    """What it read when the part failed or was taken out."""
    hours_last_good: Mapped[float | None]
    """What it read when the part was last found good; the failure lies between this and ``hours_failed``."""
    installed_on: Mapped[date | None]
    failed_on: Mapped[date | None]
    returned_on: Mapped[date]
    claimant: Mapped[str] = mapped_column(String(120), default="")
    story: Mapped[str] = mapped_column(Text, default="")
    """What the claimant says."""
    claimed: Mapped[str] = mapped_column(String(20), default="")
    """Class of cause that the claimant holds for right; empty: none."""
    value_minor: Mapped[int | None]
    """Value of the claim in the currency's smallest unit."""
    currency: Mapped[str] = mapped_column(String(3), default="")
    kept_where: Mapped[str] = mapped_column(String(120), default="")
    kept_until: Mapped[date | None]
    may_teach: Mapped[bool] = mapped_column(default=False)
    """Whether the claimant lets the photos be used to teach."""
    state: Mapped[str] = mapped_column(String(20), default="gathering", index=True)
    """``gathering``, ``second person``, ``decided`` or ``objected``."""
    doubt: Mapped[float] = mapped_column(default=1.0, index=True)
    """0 sure to 1 nothing known: what the working list orders by."""
    attempt: Mapped[int] = mapped_column(default=1)
    """Which decision is being made: one more after a second person's no, and after an objection."""
    grade_id: Mapped[str | None] = mapped_column(ForeignKey("grades.id"))
    """What the part's photos came to, newest."""
    closed_at: Mapped[datetime | None]
    version: Mapped[int] = mapped_column(default=1)
    photos: Mapped[list[ReturnPhoto]] = relationship(order_by="ReturnPhoto.created_at, ReturnPhoto.id")
    readings: Mapped[list[CounterReading]] = relationship(order_by="CounterReading.created_at")
    waivers: Mapped[list[Waiver]] = relationship(order_by="Waiver.created_at")
    flags: Mapped[list[Flag]] = relationship(order_by="Flag.created_at, Flag.id", foreign_keys="Flag.return_id")
    decisions: Mapped[list[Decision]] = relationship(order_by="Decision.attempt")
    objections: Mapped[list[Objection]] = relationship(order_by="Objection.created_at")
    grade: Mapped[GradeRow | None] = relationship()
    kept_machine: Mapped[Machine | None] = relationship()
    owner: Mapped[Account] = relationship()
    __table_args__ = (Index("ix_returns_state_created_at", "state", "created_at"),)


class ReturnPhoto(Owned, Base):
    """One photo of a return, by the place in the list of views that it fills."""

    __tablename__ = "return_photos"
    return_id: Mapped[str] = mapped_column(ForeignKey("returns.id"), index=True)
    photo_id: Mapped[str | None] = mapped_column(ForeignKey("photos.id"), index=True)
    """None once the photo was deleted on a lawful request."""
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    view: Mapped[str] = mapped_column(String(30))
    """Key of the wanted view, such as ``face``, ``end-pump``, ``plate``, ``wiped-face``; or ``aside``."""
    tag: Mapped[dict[str, Any] | None]
    """What the return tag in the photo says: number, scale, grey patches; None: no tag was read."""
    photo: Mapped[PhotoRow | None] = relationship()


class CounterReading(Owned, Base):
    """A reading taken at the counter; a later one of the same check replaces it."""

    __tablename__ = "counter_readings"
    return_id: Mapped[str] = mapped_column(ForeignKey("returns.id"), index=True)
    check: Mapped[str] = mapped_column("check_id", String(60))
    values: Mapped[dict[str, Any]] = mapped_column("entered")
    """As entered: field to text or number."""
    finding: Mapped[dict[str, Any]]
    owner: Mapped[Account] = relationship()


class Waiver(Owned, Base):
    """Why something that a decision needs is not there."""

    __tablename__ = "waivers"
    return_id: Mapped[str] = mapped_column(ForeignKey("returns.id"), index=True)
    item: Mapped[str] = mapped_column(String(60))
    reason: Mapped[str] = mapped_column(Text)
    owner: Mapped[Account] = relationship()
    __table_args__ = (UniqueConstraint("return_id", "item"),)


class Flag(Base):
    """Something about a photo or a number that a person must look at; never a refusal by itself."""

    __tablename__ = "flags"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    return_id: Mapped[str] = mapped_column(ForeignKey("returns.id"), index=True)
    kind: Mapped[str] = mapped_column(String(40))
    return_photo_id: Mapped[str | None] = mapped_column(ForeignKey("return_photos.id"))
    other_photo_id: Mapped[str | None] = mapped_column(ForeignKey("return_photos.id"))
    other_return_id: Mapped[str | None] = mapped_column(ForeignKey("returns.id"), index=True)
    reason: Mapped[str] = mapped_column(Text)
    created_at: Mapped[datetime] = mapped_column(default=now)
    settled: Mapped[dict[str, Any] | None]
    """``{"by", "at", "text"}`` once somebody has looked and said what it is."""


class Decision(Owned, Base):
    """What one person decided, beside what the policy proposed; its owner decided."""

    __tablename__ = "decisions"
    return_id: Mapped[str] = mapped_column(ForeignKey("returns.id"), index=True)
    attempt: Mapped[int]
    proposal: Mapped[dict[str, Any]]
    outcome: Mapped[str] = mapped_column(String(20))
    """``accept`` or ``decline``."""
    reason: Mapped[str] = mapped_column(Text)
    needs_second: Mapped[bool]
    standing: Mapped[str] = mapped_column(String(20))
    """``waiting`` for a second person, ``final``, or ``not agreed``."""
    second_id: Mapped[str | None] = mapped_column(ForeignKey("accounts.id"))
    second_at: Mapped[datetime | None]
    second_reason: Mapped[str] = mapped_column(Text, default="")
    owner: Mapped[Account] = relationship(foreign_keys="Decision.owner_id")
    second: Mapped[Account | None] = relationship(foreign_keys="Decision.second_id")
    __table_args__ = (UniqueConstraint("return_id", "attempt"),)


class Objection(Owned, Base):
    """The claimant does not agree; somebody who took no part in the decision takes it up."""

    __tablename__ = "objections"
    return_id: Mapped[str] = mapped_column(ForeignKey("returns.id"), index=True)
    decision_id: Mapped[str] = mapped_column(ForeignKey("decisions.id"), unique=True)
    text: Mapped[str] = mapped_column(Text)
    received_on: Mapped[date]
    taken_by: Mapped[str | None] = mapped_column(ForeignKey("accounts.id"))
    taken_at: Mapped[datetime | None]


class SavedList(Owned, Base):
    """Filters and order of the working list under a name of its owner's."""

    __tablename__ = "saved_lists"
    name: Mapped[str] = mapped_column(String(60))
    query: Mapped[dict[str, Any]]
    __table_args__ = (UniqueConstraint("owner_id", "name"),)


class Fitted(Owned, Base):
    """How many parts of a kind and lot were sold or fitted: the population that the returns come from."""

    __tablename__ = "fitted"
    part: Mapped[str] = mapped_column(String(20), index=True)
    part_number: Mapped[str] = mapped_column(String(60), default="")
    lot: Mapped[str] = mapped_column(String(60), default="")
    since: Mapped[date]
    """Day from which they run."""
    count: Mapped[int]
    hours_a_day: Mapped[float | None]
    """Running hours of a machine a day on average; None: unknown, so only calendar time counts."""
    source: Mapped[str] = mapped_column(Text, default="")


class NumberCount(Base):
    """The last return number given in a year; its row is locked while the next is given."""

    __tablename__ = "number_counts"
    year: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    last: Mapped[int] = mapped_column(default=0)


__all__ = [
    "CounterReading",
    "Decision",
    "Fitted",
    "Flag",
    "NumberCount",
    "Objection",
    "ReturnPhoto",
    "ReturnRow",
    "SavedList",
    "Waiver",
]
