"""What the page of a grade says of teaching: whether its photos may, and who can say so."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.store.tables import GradeRow
from wearvision_api.store.teaching_tables import Permission
from wearvision_api.teaching.permission import photos_of_grade


@dataclass(frozen=True, slots=True)
class TeachView:
    """Permission of a grade's photos: how many there are, and how many may teach."""

    photos: int
    permitted: int


def teach_view(session: Session, who: Caller, row: GradeRow) -> TeachView | None:
    """For whoever can give the permission or take it back; None for others."""
    if not who.may("photos:permit"):
        return None
    try:
        photos = sorted(set(photos_of_grade(who, row)))
    except Problem:
        return None
    kept = [one.photo_id for one in row.photos if one.photo.erased_at is None]
    given = select(func.count()).where(Permission.photo_id.in_(photos), Permission.withdrawn_at.is_(None))
    return TeachView(len(set(kept)), session.scalar(given) or 0) if kept else None
