"""What the pages of data sets show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.labels.label import NONE
from wearvision.labels.splits import SPLITS
from wearvision.labels.truth import RANKS
from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.pages.teaching_contexts import RANK_WORDS, SOURCE_WORDS
from wearvision_api.routes.set_schemas import SetPublic
from wearvision_api.routes.sets import public
from wearvision_api.services.sheet import moment
from wearvision_api.store.tables import new_id
from wearvision_api.store.teaching_tables import DataSetRow, TrainingRow
from wearvision_api.teaching import sets
from wearvision_api.teaching.manifest import NO_GRADE
from wearvision_api.teaching.take_examples import Taken

SPLIT_WORDS = {"train": "To train", "calibrate": "To calibrate", "test": "To test"}
GRADE_ORDER = ("serviceable", "clean-and-reuse", "replace", NO_GRADE)


@dataclass(frozen=True, slots=True)
class SetLine:
    """A set in the list; all as text but the numbers."""

    href: str
    name: str
    made: str
    photos: int
    splits: tuple[tuple[str, int], ...]
    left_out: int
    models: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SetsContext:
    """The list of data sets, and how to make one.

    Attributes:
        lines: Newest first.
        ready: How many settled examples could be frozen now.
        parts: Key and title of what can be chosen.
        sources: Key and title of where photos come from.
        ranks: Key and title of what a truth can rest on, the weakest first.
        may_teach: Whether the caller may freeze and take in.
        fresh: Id for the form.
    """

    lines: tuple[SetLine, ...]
    ready: int
    parts: tuple[tuple[str, str], ...]
    sources: tuple[tuple[str, str], ...]
    ranks: tuple[tuple[str, str], ...]
    may_teach: bool
    fresh: str


@dataclass(frozen=True, slots=True)
class CountRow:
    """Photos of one part and grade: by split, and in all."""

    part: str
    grade: str
    numbers: tuple[int, ...]
    total: int


@dataclass(frozen=True, slots=True)
class SetContext:
    """One data set.

    Attributes:
        name: Of the set.
        note: What it is for.
        facts: Name and text.
        splits: Titles of the splits, in order.
        rows: Photos by part and grade.
        totals: By split, then in all.
        left_out: Short hash, and why, of photos that are handed out no longer.
        models: Name and address of those taught with it.
        trainings: Title and address.
        archive: Address of the zip archive.
        manifest: Address of the manifest.
        sha256: Of the manifest.
    """

    name: str
    note: str
    facts: tuple[tuple[str, str], ...]
    splits: tuple[str, ...]
    rows: tuple[CountRow, ...]
    totals: tuple[int, ...]
    left_out: tuple[tuple[str, str], ...]
    models: tuple[tuple[str, str], ...]
    trainings: tuple[tuple[str, str], ...]
    archive: str
    manifest: str
    sha256: str


@dataclass(frozen=True, slots=True)
class TakenContext:
    """What became of photos that were taken in.

    Attributes:
        title: Of the page.
        new: How many are examples now.
        known: How many were.
        faults: Name of the file, and why it is no example.
        back: Address and title of the page before.
    """

    title: str
    new: int
    known: int
    faults: tuple[tuple[str, str], ...]
    back: tuple[str, str]


def sets_context(session: Session, who: Caller) -> SetsContext:
    """All sets."""
    return SetsContext(
        lines=tuple(_line(public(session, row)) for row in sets.listed(session)),
        ready=len(sets.chosen(session, sets.Choice())),
        parts=(*((key, spec.title.capitalize()) for key, spec in PARTS.items()), (NONE, "None of the parts")),
        sources=tuple(SOURCE_WORDS.items()),
        ranks=tuple((rank, RANK_WORDS[rank].capitalize()) for rank in RANKS),
        may_teach=who.may("teaching:write"),
        fresh=new_id(),
    )


def set_context(session: Session, row: DataSetRow) -> SetContext:
    """One set."""
    said = public(session, row)
    rows = count_rows(said.counts)
    numbers = tuple(int(said.counts["splits"].get(split, 0)) for split in SPLITS)
    ranks = ", ".join(f"{number} {RANK_WORDS[rank]}" for rank, number in said.counts["ranks"].items())
    trainings = session.scalars(
        select(TrainingRow).where(TrainingRow.set_id == row.id).order_by(TrainingRow.created_at.desc())
    )
    return SetContext(
        name=row.name,
        note=row.note,
        facts=(
            ("Frozen", f"{moment(row.created_at)} by {said.by}"),
            ("Photos", f"{said.counts['photos']} of {said.counts['groups']} parts or visits"),
            ("Machines", str(said.counts["machines"]) if said.counts["machines"] else "none is known"),
            ("Settled", ranks),
        ),
        splits=tuple(SPLIT_WORDS[split] for split in SPLITS),
        rows=rows,
        totals=(*numbers, int(said.counts["photos"])),
        left_out=tuple((one.sha256[:16], one.why) for one in said.left_out),
        models=tuple((name, f"/teaching/models/{name}") for name in said.models),
        trainings=tuple(
            (f"{moment(one.created_at)}, {one.state}", f"/teaching/trainings/{one.id}") for one in trainings
        ),
        archive=f"/api/v1/sets/{row.id}/folder.zip",
        manifest=f"/api/v1/sets/{row.id}/manifest",
        sha256=row.sha256,
    )


def count_rows(counts: Mapping[str, Any]) -> tuple[CountRow, ...]:
    """The table of counts: parts in the order of the registry, grades from best to worst."""
    order = (*PARTS, NONE)
    found = []
    for part, grades in sorted(counts["parts"].items(), key=lambda one: order.index(one[0])):
        title = PARTS[part].title.capitalize() if part in PARTS else "None of the parts"
        for grade in sorted(grades, key=GRADE_ORDER.index):
            numbers = tuple(int(grades[grade].get(split, 0)) for split in SPLITS)
            found.append(CountRow(title, grade, numbers, sum(numbers)))
    return tuple(found)


def taken_context(title: str, taken: tuple[Taken, ...], back: tuple[str, str]) -> TakenContext:
    """What became of photos."""
    return TakenContext(
        title=title,
        new=sum(one.is_new for one in taken),
        known=sum(bool(one.example) and not one.is_new for one in taken),
        faults=tuple((one.name, one.fault) for one in taken if one.fault),
        back=back,
    )


def _line(said: SetPublic) -> SetLine:
    return SetLine(
        href=f"/teaching/sets/{said.id}",
        name=said.name,
        made=f"{moment(said.created_at)} by {said.by}",
        photos=int(said.counts["photos"]),
        splits=tuple((SPLIT_WORDS[split], int(said.counts["splits"].get(split, 0))) for split in SPLITS),
        left_out=len(said.left_out),
        models=tuple(said.models),
    )


__all__ = ["SetContext", "SetsContext", "TakenContext", "count_rows", "set_context", "sets_context", "taken_context"]
