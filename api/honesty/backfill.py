"""Makes up for what the index lacks: photos from before it, older ways of making, marks left out of a backup."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np
from sqlalchemy import Engine, Select, exists, func, select, text
from sqlalchemy.orm import Session

from wearvision.errors import PhotoError
from wearvision_api.honesty import check, index
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.honesty_tables import Likeness, Mark
from wearvision_api.store.return_tables import ReturnPhoto

BATCH = 500


class HasRecords(Protocol):
    """A house, or what stands in for one while a backup is restored."""

    @property
    def blobs(self) -> Blobs:
        """The photos."""

    @property
    def engine(self) -> Engine:
        """The records."""


def remember_all(house: HasRecords) -> int:
    """Puts every photo of a return into the index that is not there as it should be; can be broken off and run again.

    Photos that were erased or whose bytes are lost are left out.

    Returns:
        How many photos were put in.
    """
    with Session(house.engine) as session:
        _go_on_counting(session)
        made = sum(_restore_marks(session))
        for photo_id in list(session.scalars(_lacking())):
            row = session.get_one(ReturnPhoto, photo_id)
            try:
                check.remember(house, session, row)
            except (FileNotFoundError, PhotoError):
                session.rollback()
                continue
            session.commit()  # one at a time: others write meanwhile
            made += 1
    return made


def _lacking() -> Select[str]:
    there = exists().where(Likeness.return_photo_id == ReturnPhoto.id, Likeness.made_by == index.MADE_BY)
    return select(ReturnPhoto.id).where(~there, ReturnPhoto.photo_id.is_not(None)).order_by(ReturnPhoto.id)


def _restore_marks(session: Session) -> Iterator[int]:
    """Marks of likenesses that have none in the index; gives how many photos a batch put in."""
    last = 0
    while rows := session.scalars(
        select(Likeness).where(Likeness.number > last).order_by(Likeness.number).limit(BATCH)
    ).all():
        last = rows[-1].number
        firsts = {row.number: np.frombuffer(row.marks, "<u4").tolist()[:1] for row in rows}
        keys = {key for first in firsts.values() for key in first}
        there = set(session.execute(select(Mark.key, Mark.number).where(Mark.key.in_(keys))))
        missing = [row for row in rows if any((key, row.number) not in there for key in firsts[row.number])]
        for row in missing:
            index.put_marks(session, row)
        session.commit()
        session.expunge_all()
        yield len(missing)


def _go_on_counting(session: Session) -> None:
    """A restored PostgreSQL goes on after the highest number; SQLite does so by itself."""
    if session.get_bind().dialect.name == "postgresql":
        highest = session.scalar(select(func.max(Likeness.number)))
        if highest:
            session.execute(
                text("select setval(pg_get_serial_sequence('likenesses', 'number'), :highest)"), {"highest": highest}
            )
            session.commit()
