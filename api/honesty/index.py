"""The index of likenesses: which earlier photos share details with a new one, by look-ups of marks in a table.

Nothing is held in memory, so any number of processes share it, and its rows come and go with the photo's own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import bindparam, delete, func, select
from sqlalchemy.orm import Session

from wearvision_api.honesty.details import LOOKED_AT, Marked
from wearvision_api.store.honesty_tables import Likeness, Mark

MADE_BY = 1
"""Number of the way in which pictures and marks are made; another number makes older rows out of date."""
KEPT = 32
"""Marks kept of a photo."""
MOST_ROWS = 16
"""A mark that so many photos have is no evidence (the grain of one bench, say): it is not kept again."""
LEAST_SHARED = 2
"""Details that two photos must share to be compared."""

_BY_MARK = select(Mark.key, Mark.number).where(Mark.key.in_(bindparam("marks", expanding=True)))
_COUNTED = select(Mark.key, func.count()).where(Mark.key.in_(bindparam("marks", expanding=True))).group_by(Mark.key)


def keep(session: Session, return_photo_id: str, picture: bytes, marked: Marked) -> Likeness:
    """Puts a photo into the index; the caller commits.

    Of the strongest details those are kept whose marks are rare so far.
    """
    offered = list(dict.fromkeys(marked.marks.tolist()))
    counted = dict(session.execute(_COUNTED, {"marks": offered}).all()) if offered else {}
    kept = [key for key in offered if counted.get(key, 0) < MOST_ROWS][:KEPT]
    row = Likeness(
        return_photo_id=return_photo_id, picture=picture, marks=np.array(kept, "<u4").tobytes(), made_by=MADE_BY
    )
    session.add(row)
    session.flush()
    put_marks(session, row)
    return row


def put_marks(session: Session, row: Likeness) -> None:
    """Writes the marks that a likeness lists; there are none of it in the index."""
    keys = np.frombuffer(row.marks, "<u4").tolist()
    session.add_all(Mark(key=key, number=row.number) for key in keys)
    session.flush()


def drop(session: Session, rows: Sequence[Likeness]) -> None:
    """Takes photos out of the index; the caller commits."""
    for row in rows:
        keys = np.frombuffer(row.marks, "<u4").tolist()
        session.execute(delete(Mark).where(Mark.number == row.number, Mark.key.in_(keys)))
        session.delete(row)
    session.flush()


def nearest(session: Session, probes: NDArray[np.int64], most: int) -> list[int]:
    """Numbers of the likenesses that share the most telling details with a picture, best first.

    Photos that share as many are ordered by how rare the shared details are.

    Args:
        session: For reading.
        probes: As ``Marked.probes`` gives them.
        most: How many at most.
    """
    detail_of: dict[int, list[int]] = defaultdict(list)
    for detail, keys in enumerate(probes.tolist()):
        for key in set(keys):
            detail_of[key].append(detail)
    if not detail_of:
        return []
    photos: dict[int, set[int]] = defaultdict(set)
    for key, number in session.execute(_BY_MARK, {"marks": list(detail_of)}):
        for detail in detail_of[key]:
            photos[detail].add(number)
    shared: dict[int, float] = defaultdict(float)
    for numbers in photos.values():
        # Rarity only breaks ties: a chance hit on a rare mark must not outrank a copy that shares a dozen.
        worth = 1 + 1 / (2 * LOOKED_AT * len(numbers))
        for number in numbers:
            shared[number] += worth
    enough = [number for number, worth in shared.items() if worth >= LEAST_SHARED]
    return sorted(enough, key=lambda number: (-shared[number], number))[:most]
