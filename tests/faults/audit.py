"""Holds what was acknowledged to what the database and the store of photos really have."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event, func, select
from sqlalchemy.orm import Session

from wearvision_api.record import ledger
from wearvision_api.record.verify import verify
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.return_tables import ReturnPhoto, ReturnRow, Waiver
from wearvision_api.store.tables import GradePhoto, GradeRow, PhotoRow, ReadingRow
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow

from .traffic import Step


@dataclass
class Found:
    """What an audit came to.

    Attributes:
        checked: Acknowledged records looked for.
        lost: Those that are not there as they were acknowledged, in words.
        doubled: Records that are there more than once, in words.
    """

    checked: int = 0
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)


class Auditor:
    """Looks into a running service's own database, reading only.

    Args:
        database_url: In SQLAlchemy's form.
        blob_url: In fsspec's form.
    """

    def __init__(self, database_url: str, blob_url: str) -> None:
        self.engine = _reading(database_url)
        self.blobs = Blobs(blob_url)
        self._whole: set[str] = set()

    def look(self, steps: Sequence[Step], *, every_blob: bool = False) -> Found:
        """Holds acknowledged steps to the tables, the chain and the photos.

        Args:
            steps: With their answers.
            every_blob: Read photos again that an earlier look found whole.
        """
        found = Found(len(steps))
        if every_blob:
            self._whole.clear()
        with Session(self.engine) as session:
            self._records(session, steps, found)
            self._twice(session, found)
            self._photos(session, found)
            self._chain(session, found)
        return found

    def _records(self, session: Session, steps: Sequence[Step], found: Found) -> None:
        there = {
            "photo": set(session.scalars(select(PhotoRow.id))),
            "grade": set(session.scalars(select(GradeRow.id))),
            "reading": set(session.scalars(select(ReadingRow.grade_id))),
            "return": set(session.scalars(select(ReturnRow.id))),
            "return photo": {tuple(row) for row in session.execute(select(ReturnPhoto.return_id, ReturnPhoto.sha256))},
            "waiver": {f"{row.return_id} {row.item}" for row in session.execute(select(Waiver.return_id, Waiver.item))},
            "permission": set(session.scalars(select(ExampleRow.id))),
            "label": set(session.scalars(select(LabelRow.id))),
        }
        digests = {row.id: row.sha256 for row in session.execute(select(PhotoRow.id, PhotoRow.sha256))}
        for step in steps:
            for record in _made(step):
                if record not in there[step.kind]:
                    found.lost.append(f"{step.kind} {record}")
            if step.kind == "photo" and digests.get(str((step.answer or {})["id"])) != _digest(step):
                found.lost.append(f"photo {step.key} is not the one that was sent")

    def _twice(self, session: Session, found: Found) -> None:
        tables: dict[str, Any] = {
            "photo": select(PhotoRow.sha256),
            "grade of a photo": select(GradePhoto.photo_id),
            "reading of a grade": select(ReadingRow.grade_id),
            "return": select(ReturnRow.story),
            "number of a return": select(ReturnRow.number),
            "photo of a return": select(ReturnPhoto.sha256),
            "example": select(ExampleRow.photo_id),
            "label of an example": select(LabelRow.example_id),
        }
        for name, query in tables.items():
            counts = Counter(session.scalars(query))
            found.doubled += [f"{name} {which}: {times} times" for which, times in counts.items() if times > 1]

    def _photos(self, session: Session, found: Found) -> None:
        """Every record's photo and pictures are there, byte for byte what their hash says."""
        wanted = set(session.scalars(select(PhotoRow.sha256)))
        for pictures in session.scalars(select(GradeRow.pictures)):
            wanted.update(name for pair in pictures for name in pair.values())
        for name in sorted(wanted - self._whole):
            try:
                is_whole = hashlib.sha256(self.blobs.get(name)).hexdigest() == name
            except FileNotFoundError:
                is_whole = False
            if is_whole:
                self._whole.add(name)
            else:
                found.lost.append(f"bytes {name}")

    def _chain(self, session: Session, found: Found) -> None:
        """The chain holds, and tells of each step at the desk once."""
        verdict = verify(ledger.lines(session))
        if verdict.broken is not None:
            found.lost.append(f"the record breaks at {verdict.broken.place}: {verdict.broken.reason}")
        told = Counter(line.what for line in ledger.lines(session) if line.kind == "return")
        for what, table in (("opened", ReturnRow), ("photo added", ReturnPhoto), ("done without", Waiver)):
            rows = session.scalar(select(func.count()).select_from(table)) or 0
            if told[what] < rows:
                found.lost.append(f"{rows - told[what]} entries '{what}'")
            elif told[what] > rows:
                found.doubled.append(f"{told[what] - rows} entries '{what}'")

    def close(self) -> None:
        """Lets go of the database."""
        self.engine.dispose()


def _made(step: Step) -> Iterable[Any]:
    """What the table of its kind must hold."""
    answer = step.answer or {}
    if step.kind == "reading":
        return (answer["id"],)  # the answer is the grade
    if step.kind == "waiver":
        return (step.about,)
    if step.kind == "return photo":
        return ((answer["id"], _digest(step)),)
    if step.kind == "permission":
        return tuple(answer["examples"])
    if step.kind == "label":
        return (answer["label"]["id"],)
    return (answer["id"],)


def _digest(step: Step) -> str:
    return hashlib.sha256(step.sent["files"]["file"][1]).hexdigest()


def _reading(url: str) -> Engine:
    """An engine beside the service: each look sees one moment, changes nothing and holds nobody up."""
    if not url.startswith("sqlite"):
        return create_engine(url, pool_pre_ping=True, isolation_level="REPEATABLE READ")
    engine = create_engine(url)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: object) -> None:
        connection.isolation_level = None
        connection.execute("PRAGMA query_only=ON")

    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    return engine


def drafts(folder: Path) -> list[Path]:
    """Half-written photos."""
    return sorted(folder.rglob(".part-*"))
