"""The index of likenesses: which earlier photos share details with a new one, by look-ups of marks in a table.

Nothing is held in memory, so any number of processes share it, and its rows come and go with the photo's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ARRAY, JSON, Integer, any_, bindparam, delete, func, select
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

_ROWS = Mark.__table__.c  # rows as plain pairs: making objects of thousands costs more than finding them
# All marks as one parameter: hundreds of them cost more to write out than to look up.
_LISTED = func.json_each(bindparam("marks", type_=JSON)).table_valued("value").c.value
_BY_MARK = {
    "sqlite": select(_ROWS.mark, _ROWS.number).where(_ROWS.mark.in_(select(_LISTED))),
    "postgresql": select(_ROWS.mark, _ROWS.number).where(_ROWS.mark == any_(bindparam("marks", type_=ARRAY(Integer)))),
}
_COUNTED = select(Mark.key, func.count()).where(Mark.key.in_(bindparam("marks", expanding=True))).group_by(Mark.key)

_HALF, _LOW = 32, (1 << 32) - 1


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
    if not probes.size:
        return []
    # Key and detail, later detail and photo, share one integer: sorting these is quicker than sorting pairs.
    sought = np.unique(probes << _HALF | np.arange(len(probes))[:, None])
    keys = sought >> _HALF
    query = _BY_MARK[session.get_bind().dialect.name]
    rows = session.execute(query, {"marks": np.unique(keys).tolist()})
    found = np.fromiter(chain.from_iterable(rows), np.int64).reshape(-1, 2)
    # A mark may stand for several details: each row counts for all of them.
    first, end = (np.searchsorted(keys, found[:, 0], side) for side in ("left", "right"))
    times = end - first
    place = np.arange(times.sum()) - np.repeat(np.cumsum(times) - times, times)
    detail = sought[np.repeat(first, times) + place] & _LOW
    # A photo that a detail finds under several marks shares it once.
    hits = np.unique(detail << _HALF | np.repeat(found[:, 1], times))
    detail = hits >> _HALF
    # Rarity only breaks ties: a chance hit on a rare mark must not outrank a copy that shares a dozen.
    worth = 1 + 1 / (2 * LOOKED_AT * np.bincount(detail, minlength=len(probes)).clip(1))
    numbers, at = np.unique(hits & _LOW, return_inverse=True)
    shared = np.bincount(at, worth[detail], len(numbers)).round(9)  # sums of the same must tie in any order
    best = np.lexsort((numbers, -shared))[:most]
    return [int(numbers[one]) for one in best if shared[one] >= LEAST_SHARED]
