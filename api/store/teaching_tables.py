"""Tables of teaching: examples, labels, data sets, trainings, models; and which hand checks are asked for."""

from __future__ import annotations

import secrets
from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, LargeBinary, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from wearvision_api.store.tables import Account, Base, GradeRow, Id, Owned, PhotoRow, now


def random_draw() -> float:
    """A lot that nobody can foresee, 0 to 1."""
    return secrets.randbelow(2**53) / 2**53


class Permission(Base):
    """That a photo may be used to teach: who said so, and on what ground."""

    __tablename__ = "teaching_permissions"
    photo_id: Mapped[str] = mapped_column(ForeignKey("photos.id"), primary_key=True)
    given_by: Mapped[str] = mapped_column(ForeignKey("accounts.id"))
    given_at: Mapped[datetime] = mapped_column(default=now)
    basis: Mapped[str] = mapped_column(Text)
    """Such as *own machine* or *the claimant agreed*."""
    withdrawn_at: Mapped[datetime | None]


class ExampleRow(Owned, Base):
    """A photo to label. One photo is one example, however often it is met."""

    __tablename__ = "examples"
    photo_id: Mapped[str] = mapped_column(ForeignKey("photos.id"), unique=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    source: Mapped[str] = mapped_column(String(20))
    """``grade``, ``inspection``, ``return`` or ``folder``."""
    source_id: Mapped[str | None] = mapped_column(Id)
    """Of the grade, inspection or return."""
    machine: Mapped[str] = mapped_column(String(120), default="")
    """Identifier of the machine the part came from; empty where it is not known."""
    capture: Mapped[str] = mapped_column(String(120))
    """What was taken at one time of one part: a visit, a return, a folder."""
    group: Mapped[str] = mapped_column("split_group", String(64), index=True)
    """Never divided between splits: what machine and capture have in common."""
    split: Mapped[str] = mapped_column(String(10))
    """``train``, ``calibrate`` or ``test``; follows from the group, for good."""
    at_random: Mapped[bool] = mapped_column(default=False)
    """Drawn into the queue by chance, not for what it teaches: rates are measured on these."""
    opinion: Mapped[dict[str, Any] | None]
    """The report of the model that was in use when it came; hidden from whoever labels until the label is saved."""
    teaches: Mapped[dict[str, Any]]
    """Reason to score, 0 to 1."""
    urgency: Mapped[float] = mapped_column(default=0.0, index=True)
    state: Mapped[str] = mapped_column(String(12), default="waiting", index=True)
    """``waiting`` (no label), ``second`` (wants a second), ``third`` (two differ), ``again`` (doubted), ``settled``,
    ``left out``."""
    truth: Mapped[dict[str, Any] | None]
    """As ``wearvision.labels`` settled it."""
    settled_at: Mapped[datetime | None]
    brought: Mapped[dict[str, Any] | None]
    """What came with it in a labelled folder: ``{"truth", "labels", "masks": {name: the blob's SHA-256}}``. Labels of
    other people than those of this house; they count where nobody labelled it here."""
    draw: Mapped[float] = mapped_column(default=random_draw, index=True)
    """Its place among all by lot, 0 to 1, drawn when it came; random hand-outs go by it."""
    held_by: Mapped[str | None] = mapped_column(ForeignKey("accounts.id"))
    """Who was handed it to label, so that nobody else is meanwhile."""
    held_until: Mapped[datetime | None]
    left_out: Mapped[dict[str, Any] | None]
    """Why it is left out: ``{"why": "skipped"|"permission withdrawn"|"erased", "by", "at", "reason"}``."""
    version: Mapped[int] = mapped_column(default=1)
    photo: Mapped[PhotoRow] = relationship()
    labels: Mapped[list[LabelRow]] = relationship(order_by="LabelRow.created_at", back_populates="example")


class LabelRow(Owned, Base):
    """What one person said of an example; never changed, a later one of the same person replaces it."""

    __tablename__ = "labels"
    example_id: Mapped[str] = mapped_column(ForeignKey("examples.id"), index=True)
    turn: Mapped[int]
    """1: first, 2: second, blind; 3: third, who saw both; 4: shown again because a model doubts it."""
    body: Mapped[dict[str, Any]]
    """A ``wearvision.labels.Label`` as JSON."""
    measured: Mapped[dict[str, Any]]
    """What the marks came to, by measure."""
    seconds: Mapped[float | None]
    """From the picture shown to the label saved."""
    withdrawn_at: Mapped[datetime | None]
    """When its author took it back."""
    example: Mapped[ExampleRow] = relationship(back_populates="labels")
    owner: Mapped[Account] = relationship()


class DoubtRow(Base):
    """A settled example that a model trained without it strongly doubts."""

    __tablename__ = "label_doubts"
    example_id: Mapped[str] = mapped_column(ForeignKey("examples.id"), primary_key=True)
    found_at: Mapped[datetime] = mapped_column(default=now)
    quality: Mapped[float]
    """How far the label is believed, 0 to 1."""
    says: Mapped[dict[str, Any]]
    answered_at: Mapped[datetime | None]


class FeatureRow(Base):
    """What a model's heads work on, of one photo: costly to make, so kept; it can be made again."""

    __tablename__ = "photo_features"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    """Of the photo."""
    model: Mapped[str] = mapped_column(String(64), primary_key=True)
    """SHA-256 of the model's graph."""
    features: Mapped[bytes] = mapped_column(LargeBinary)
    """Half-precision numbers, little endian."""


class SittingRow(Owned, Base):
    """A round of practice: which settled examples somebody is asked, in order."""

    __tablename__ = "sittings"
    part: Mapped[str | None] = mapped_column(String(20))
    """Of this part only; None: of all."""
    asked: Mapped[list[Any]]
    """Ids of examples."""
    answers: Mapped[list[PracticeRow]] = relationship(order_by="PracticeRow.created_at")


class PracticeRow(Owned, Base):
    """An answer of somebody who practises on a settled example."""

    __tablename__ = "practice"
    __table_args__ = (UniqueConstraint("sitting", "example_id"),)
    example_id: Mapped[str] = mapped_column(ForeignKey("examples.id"), index=True)
    sitting: Mapped[str] = mapped_column(ForeignKey("sittings.id"), index=True)
    body: Mapped[dict[str, Any]]
    found: Mapped[dict[str, Any]]
    """Per thing asked whether it was right, and what the truth was."""
    right: Mapped[bool]
    """Whether the grade was."""


class DataSetRow(Owned, Base):
    """A frozen set of settled examples; its manifest lies as a blob under its hash."""

    __tablename__ = "data_sets"
    name: Mapped[str] = mapped_column(String(80), unique=True)
    sha256: Mapped[str] = mapped_column(String(64))
    """Of the manifest: names every photo, label and mask by hash."""
    counts: Mapped[dict[str, Any]]
    note: Mapped[str] = mapped_column(Text, default="")


class DataSetPhoto(Base):
    """Which photos a set holds, so that an erased one is found in what was taught with it."""

    __tablename__ = "data_set_photos"
    set_id: Mapped[str] = mapped_column(ForeignKey("data_sets.id"), primary_key=True)
    photo_id: Mapped[str] = mapped_column(ForeignKey("photos.id"), primary_key=True, index=True)
    sha256: Mapped[str] = mapped_column(String(64))
    split: Mapped[str] = mapped_column(String(10))
    pieces: Mapped[dict[str, Any]]
    """What was made of the photo, name to the blob's SHA-256: ``masks/NAME.png`` by region or mark; ``labels.json``,
    what people said and drew. Empty once the photo was erased."""


class TrainingRow(Owned, Base):
    """A retraining, which runs in a process of its own."""

    __tablename__ = "trainings"
    set_id: Mapped[str] = mapped_column(ForeignKey("data_sets.id"), index=True)
    base: Mapped[str] = mapped_column(String(80))
    """Id of the model it starts from."""
    settings: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(12), default="waiting", index=True)
    """``waiting``, ``running``, ``stopped``, ``failed`` or ``done``."""
    progress: Mapped[dict[str, Any]]
    """The newest line that the process wrote."""
    process: Mapped[dict[str, Any] | None]
    """Where it runs: host, process id, folder."""
    begun_at: Mapped[datetime | None]
    seen_at: Mapped[datetime | None]
    """When the process last gave a sign of life."""
    ended_at: Mapped[datetime | None]
    said: Mapped[str] = mapped_column(Text, default="")
    """Why it failed."""
    model_id: Mapped[str | None] = mapped_column(String(80))
    version: Mapped[int] = mapped_column(default=1)
    data_set: Mapped[DataSetRow] = relationship()


class ModelRow(Base):
    """A model of this site's own; its files lie as blobs."""

    __tablename__ = "models"
    id: Mapped[str] = mapped_column(String(80), primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), index=True)
    """Of the graph, as grades name it."""
    owner_id: Mapped[str] = mapped_column(ForeignKey("accounts.id"))
    created_at: Mapped[datetime] = mapped_column(default=now)
    base: Mapped[str] = mapped_column(String(80))
    training_id: Mapped[str | None] = mapped_column(ForeignKey("trainings.id"))
    set_id: Mapped[str | None] = mapped_column(ForeignKey("data_sets.id"))
    files: Mapped[dict[str, Any]]
    """File name to the blob's SHA-256."""
    report: Mapped[dict[str, Any]]
    """Old against new on the same held-out photos."""
    gate: Mapped[dict[str, Any]]
    """What the gate said of it, row by row."""


class ModelTurn(Base):
    """The history of which model grades, and which grades silently beside it; the newest of a kind holds."""

    __tablename__ = "model_turns"
    __table_args__ = (Index("ix_model_turns_kind_place", "kind", "place"),)
    place: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    kind: Mapped[str] = mapped_column(String(10))
    """``use`` or ``shadow``."""
    model: Mapped[str] = mapped_column(String(80))
    """Id of a site's or a released model; empty: none (a shadow ends), or the one of the settings."""
    back: Mapped[bool] = mapped_column(default=False)
    """Whether the turn before was taken back by this one, so that the next step back goes further."""
    by_id: Mapped[str] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(default=now)
    reason: Mapped[str] = mapped_column(Text, default="")


class ShadowRow(Base):
    """What a model that only watches said of the photos of a grade."""

    __tablename__ = "shadow_grades"
    grade_id: Mapped[str] = mapped_column(ForeignKey("grades.id"), primary_key=True)
    model: Mapped[str] = mapped_column(String(80), primary_key=True)
    at: Mapped[datetime] = mapped_column(default=now)
    grade: Mapped[str | None] = mapped_column(String(20))
    report: Mapped[dict[str, Any]]
    differs: Mapped[bool] = mapped_column(index=True)


class AskedRow(Base):
    """That a hand check was asked for, and how likely it was to be: rates are weighted by it."""

    __tablename__ = "asked_checks"
    grade_id: Mapped[str] = mapped_column(ForeignKey("grades.id"), primary_key=True)
    chance: Mapped[float]
    """1 where it is asked in doubt, else the share that is drawn."""
    asked: Mapped[bool]
    """Whether the draw asked for it; rows of those not drawn count too."""
    why: Mapped[str] = mapped_column(String(20))
    """``doubt``, ``worn`` (graded worse than serviceable), ``drawn`` or ``not drawn``."""
    facts: Mapped[dict[str, Any]]
    """What rates and drift are counted by, so that no report has to be read for them: see ``trust.facts``."""
    at: Mapped[datetime] = mapped_column(default=now, index=True)
    grade: Mapped[GradeRow] = relationship(back_populates="asked")


__all__ = [
    "AskedRow",
    "DataSetPhoto",
    "DataSetRow",
    "DoubtRow",
    "ExampleRow",
    "FeatureRow",
    "LabelRow",
    "ModelRow",
    "ModelTurn",
    "Permission",
    "PracticeRow",
    "ShadowRow",
    "SittingRow",
    "TrainingRow",
    "random_draw",
]
