"""Grades photos, takes readings, and keeps what followed: override by eye, wiping, what was done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, null, or_, select
from sqlalchemy.orm import Session

from wearvision.confirm import confirm
from wearvision.errors import ReadingError
from wearvision.overlay import outlined
from wearvision.photo import Photo, read_photo
from wearvision.readings import read_reading
from wearvision.report import Report
from wearvision.standard.grades import Grade
from wearvision.wiping import wiping_pair
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.services import photos
from wearvision_api.services.standing import erased_on as erased_on
from wearvision_api.services.standing import holds as holds
from wearvision_api.services.standing import standing as standing
from wearvision_api.store.tables import GradePhoto, GradeRow, Inspection, PhotoRow, ReadingRow, new_id, now
from wearvision_api.teaching import told
from wearvision_api.teaching.shadow import Silent
from wearvision_api.trust import asking

MOST_PHOTOS = 8
OUTCOMES = ("refitted", "cleaned and refitted", "replaced")


@dataclass(frozen=True, slots=True)
class Asked:
    """What to grade."""

    photos: tuple[str, ...]
    part: str | None = None
    reference: str | None = None
    inspection: str | None = None
    id: str | None = None
    is_checked: bool = True
    """Whether hand checks follow; not for a photo after wiping, nor at the counter, which has checks of its own."""


def create(house: House, session: Session, who: Caller, asked: Asked) -> GradeRow:
    """Grades photos of one part. The transaction is let go while the photos are looked at; the caller commits.

    Raises:
        Problem: a photo or the inspection is not there, a photo was erased, or all hands are busy.
    """
    rows = [photos.demand_kept(photos.find(session, who, photo_id)) for photo_id in asked.photos]
    inspection = None
    if asked.inspection is not None:
        inspection = session.get(Inspection, asked.inspection)
        if inspection is None:
            raise Problem("not-found", f"There is no inspection {asked.inspection}.")
        if inspection.closed_at is not None:
            raise Problem("conflict", "The inspection is closed; begin a new one.")
    known = _reference(session, who, asked, inspection)
    session.commit()  # lets other writers in while the photos are looked at
    digests, beside = [row.sha256 for row in rows], known.sha256 if known else None
    report, pictures = house.work.run(lambda: _grade(house, digests, asked.part, beside))
    record = GradeRow(
        id=asked.id or new_id(),
        owner_id=who.id,
        inspection_id=asked.inspection,
        reference_id=known.id if known else None,
        part=report.part["name"],
        grade=report.grade,
        report=report.to_dict(),
        pictures=pictures,
    )
    session.add(record)
    session.add_all(GradePhoto(grade_id=record.id, place=place, photo_id=row.id) for place, row in enumerate(rows))
    session.flush()
    session.refresh(record)
    if asked.is_checked:
        asking.ask(house, session, record)
    house.shadow.offer(Silent(record.id, tuple(digests), asked.part, beside))
    return record


def _reference(session: Session, who: Caller, asked: Asked, inspection: Inspection | None) -> PhotoRow | None:
    """The photo named, or the machine's own photo of that part as installed."""
    if asked.reference is not None:
        return photos.demand_kept(photos.find(session, who, asked.reference))
    if inspection is not None and asked.part is not None:
        for kept in inspection.machine.references:
            if kept.part == asked.part:
                return session.get(PhotoRow, kept.photo_id)
    return None


def _grade(
    house: House, digests: Sequence[str], part: str | None, known: str | None
) -> tuple[Report, list[dict[str, str]]]:
    shots = [_read(house, digest) for digest in digests]
    report = house.grader.grade_part(shots, part, _read(house, known) if known else None)
    pictures = []
    for number in range(len(report.pictures)):
        pairs = {"plain": outlined(report, number, lines=False), "outlined": outlined(report, number)}
        pictures.append({name: house.blobs.put(photos.jpeg(image)) for name, image in pairs.items()})
    return report, pictures


def _read(house: House, digest: str) -> Photo:
    return read_photo(house.blobs.get(digest))


def visible(who: Caller) -> Select[GradeRow]:
    """The grades that somebody may see: own ones and those of inspections."""
    query = select(GradeRow)
    return query if who.sees_all else query.where(or_(GradeRow.owner_id == who.id, GradeRow.inspection_id.is_not(None)))


def find(session: Session, who: Caller, grade_id: str) -> GradeRow:
    """A grade that the caller may see. Raises Problem where there is none."""
    row = session.scalar(visible(who).where(GradeRow.id == grade_id))
    if row is None:
        raise Problem("not-found", f"There is no grade {grade_id}.")
    return row


def add_reading(
    house: House, session: Session, who: Caller, row: GradeRow, check: str, value: Any, unit: str, record_id: str | None
) -> GradeRow:
    """Takes a hand check's reading; the newest of each check counts. The caller commits.

    Raises:
        Problem: no part was recognised.
        wearvision.errors.ReadingError: there is no such check, or the reading makes no sense.
    """
    if row.part is None:
        raise Problem("conflict", "No part was recognised in these photos; grade a fit photo first.")
    known = house.checks.rows.get(check)
    if known is None or known.part != row.part or known.reading is None:
        names = ", ".join(one.id for one in house.checks.of(row.part) if one.reading)
        raise ReadingError(f"There is no check {check!r} with a reading for {row.part}; there are {names}.")
    finding = read_reading(known, _entered(value, unit))
    session.add(
        ReadingRow(
            id=record_id or new_id(),
            owner_id=who.id,
            grade_id=row.id,
            check=check,
            value={"value": value, "unit": unit},
            finding=finding.to_dict(),
        )
    )
    session.flush()
    session.refresh(row, ["readings"])
    newest = {one.check: _entered(one.value["value"], one.value["unit"]) for one in row.readings}
    row.verdict = confirm(row.report, newest, checks=house.checks).to_dict()
    row.version += 1
    session.flush()
    told.tell_examples(house, session, row, who)
    return row


def _entered(value: Any, unit: str) -> Any:
    return {"value": value, "unit": unit or None} if not isinstance(value, dict) else value | {"unit": unit or None}


def override(session: Session, who: Caller, row: GradeRow, grade: Grade, reason: str) -> GradeRow:
    """Puts a person's eye above photo and readings, with the reason. The caller commits."""
    before = _by_eye(row)
    row.override = {"grade": grade, "reason": reason, "by": who.name, "at": _stamp()}
    row.version += 1
    session.flush()
    told.tell_by_eye(session, row)
    ledger.append(session, who.name, "graded by eye", "grade", row.id, before=before, after=_by_eye(row))
    return row


def take_back_override(session: Session, who: Caller, row: GradeRow) -> GradeRow:
    """Takes a grade by eye back: photo and readings count again; the record keeps both steps. The caller commits.

    Raises:
        Problem: nobody has graded it by eye.
    """
    before = _by_eye(row)
    if before is None:
        raise Problem("conflict", "Nobody has graded it by eye.")
    row.override = null()
    row.version += 1
    session.flush()
    session.refresh(row, ("override",))
    told.tell_by_eye(session, row)
    ledger.append(session, who.name, "took the grade by eye back", "grade", row.id, before=before)
    return row


def _by_eye(row: GradeRow) -> dict[str, str] | None:
    """What the record keeps of a grade by eye: who and what; never the reason, which is free text."""
    return None if row.override is None else {"grade": row.override["grade"], "by": row.override["by"]}


def outcome(session: Session, who: Caller, row: GradeRow, done: str, note: str) -> GradeRow:
    """Records what was done with the part, apart from its grade. The caller commits."""
    row.outcome = {"done": done, "note": note, "by": who.name, "at": _stamp()}
    row.version += 1
    session.flush()
    return row


def wipe(house: House, session: Session, who: Caller, row: GradeRow, after: str) -> GradeRow:
    """Grades the photo after wiping and tells film from clouding. The caller commits.

    Raises:
        Problem: the photo is not there, or the pair cannot be compared.
    """
    second = create(house, session, who, Asked((after,), row.part, inspection=None, is_checked=False))
    try:
        pair = wiping_pair(row.report, second.report, limits=house.grader.limits, checks=house.checks)
    except ReadingError as error:
        raise Problem("conflict", str(error)) from error
    row.after_id, row.wiping = second.id, pair.to_dict()
    row.version += 1
    session.flush()
    told.tell_examples(house, session, row, who)
    return row


def _stamp() -> str:
    return now().isoformat(timespec="seconds").replace("+00:00", "Z")
