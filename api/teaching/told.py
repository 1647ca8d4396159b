"""Tells examples what came to light about a grade that holds their photo: a reading, a pair after wiping."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.store.tables import GradePhoto, GradeRow
from wearvision_api.store.teaching_tables import ExampleRow
from wearvision_api.teaching.examples import note_standing
from wearvision_api.teaching.handing import BLIND
from wearvision_api.teaching.settling import resettle


def tell_by_eye(session: Session, grade: GradeRow) -> None:
    """Says anew how urgent the waiting examples among a grade's photos are: somebody graded it by eye."""
    for row in _held(session, grade):
        if row.state in BLIND:
            note_standing(session, row)


def tell_examples(house: House, session: Session, grade: GradeRow, who: Caller) -> None:
    """Settles the labelled examples among a grade's photos anew, and says anew how urgent the waiting ones are.

    A grade by eye settles nothing, for it is no measurement (see ``tell_by_eye``). The caller commits.

    Args:
        house: The running service.
        session: Of a writing transaction.
        grade: About which something was entered.
        who: Entered it.
    """
    for row in _held(session, grade):
        if row.state in BLIND:
            note_standing(session, row)
        if row.state != "waiting":
            resettle(house, session, row, who.name)


def _held(session: Session, grade: GradeRow) -> Sequence[ExampleRow]:
    """Examples of the photos of a grade and of that after wiping, locked."""
    grades = [one for one in (grade.id, grade.after_id) if one is not None]
    photos = select(GradePhoto.photo_id).where(GradePhoto.grade_id.in_(grades))
    query = select(ExampleRow).where(ExampleRow.photo_id.in_(photos)).order_by(ExampleRow.id)
    return session.scalars(query.with_for_update(key_share=True).execution_options(populate_existing=True)).all()
