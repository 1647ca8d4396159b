"""Where a photo comes from: which machine, and what was taken at one time of one part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.store.return_tables import ReturnPhoto, ReturnRow
from wearvision_api.store.tables import GradePhoto, GradeRow, Inspection, Machine
from wearvision_api.store.teaching_tables import ExampleRow


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a photo comes from.

    Attributes:
        source: ``grade``, ``inspection``, ``return`` or ``folder``.
        source_id: Of that record; None for a folder.
        machine: Identifier of the machine; empty where it is not known.
        capture: What was taken at one time of one part.
    """

    source: str
    source_id: str | None
    machine: str
    capture: str


def origin_of(session: Session, photo_id: str) -> Origin | None:
    """Where a photo comes from; None for one that belongs to no grade and no return.

    Photos that were graded together, or one after the other by adding a photo or wiping, are of one part: they share
    the capture of the first of them that became an example.
    """
    returned = session.scalar(
        select(ReturnRow)
        .join(ReturnPhoto, ReturnPhoto.return_id == ReturnRow.id)
        .where(ReturnPhoto.photo_id == photo_id)
        .order_by(ReturnRow.created_at, ReturnRow.id)
        .limit(1)
    )
    grades = together(session, photo_id)
    if returned is not None:
        return _shared(session, grades, Origin("return", returned.id, returned.machine, f"return {returned.id}"))
    if not grades:
        return None
    visited = next((row for row in grades if row.inspection_id is not None), None)
    if visited is not None:
        machine = session.scalar(
            select(Machine.identifier).join(Inspection).where(Inspection.id == visited.inspection_id)
        )
        visit = str(visited.inspection_id)
        return _shared(session, grades, Origin("inspection", visit, machine or "", f"inspection {visit}"))
    first = grades[0].id
    return _shared(session, grades, Origin("grade", first, "", f"grade {first}"))


def together(session: Session, photo_id: str) -> Sequence[GradeRow]:
    """The grades of a part that this photo was graded with, oldest first, linked by photos or by wiping."""
    found: dict[str, GradeRow] = {}
    photos, waiting = {photo_id}, {photo_id}
    while waiting:
        rows = session.scalars(
            select(GradeRow).join(GradePhoto).where(GradePhoto.photo_id.in_(waiting), GradeRow.id.not_in(found))
        ).all()
        new = {row.id: row for row in rows}
        found |= new
        linked = {row.after_id for row in new.values() if row.after_id} - found.keys()
        more = session.scalars(
            select(GradeRow).where((GradeRow.id.in_(linked)) | (GradeRow.after_id.in_(new)), GradeRow.id.not_in(found))
        ).all()
        found |= {row.id: row for row in more}
        fresh = [*new, *(row.id for row in more)]
        reached = set(session.scalars(select(GradePhoto.photo_id).where(GradePhoto.grade_id.in_(fresh))))
        waiting = reached - photos
        photos |= reached
    return sorted(found.values(), key=lambda row: (row.created_at, row.id))


def _shared(session: Session, grades: Sequence[GradeRow], own: Origin) -> Origin:
    """The origin with machine and capture of an example of the same part that is there already."""
    if not grades:
        return own
    photos = select(GradePhoto.photo_id).where(GradePhoto.grade_id.in_([row.id for row in grades]))
    query = select(ExampleRow.machine, ExampleRow.capture).where(ExampleRow.photo_id.in_(photos))
    before = session.execute(query.order_by(ExampleRow.created_at, ExampleRow.id).limit(1)).first()
    return own if before is None else Origin(own.source, own.source_id, before.machine, before.capture)
