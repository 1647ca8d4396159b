"""Pages of records, newest first, by a cursor that stays right while records are added."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import Select, and_, or_
from sqlalchemy.orm import Session

from wearvision_api.problems import Problem

Row = TypeVar("Row", bound=Any)
MOST = 200


def page(session: Session, query: Select[Row], table: Any, cursor: str, limit: int) -> tuple[Sequence[Row], str | None]:
    """One page of a query.

    Args:
        session: Open.
        query: Without an order.
        table: What is listed; has ``created_at`` and ``id``.
        cursor: Of the page before; empty for the first.
        limit: 1 to ``MOST`` records.

    Returns:
        The records and the cursor of the next page, None on the last.

    Raises:
        Problem: no cursor of ours.
    """
    if cursor:
        moment, last = _read(cursor)
        query = query.where(or_(table.created_at < moment, and_(table.created_at == moment, table.id < last)))
    rows = session.scalars(query.order_by(table.created_at.desc(), table.id.desc()).limit(limit + 1)).all()
    if len(rows) <= limit:
        return rows, None
    kept = rows[:limit]
    return kept, _write(kept[-1].created_at, kept[-1].id)


def _write(moment: datetime, last: str) -> str:
    return base64.urlsafe_b64encode(f"{moment.isoformat()} {last}".encode()).decode()


def _read(cursor: str) -> tuple[datetime, str]:
    try:
        moment, last = base64.urlsafe_b64decode(cursor.encode()).decode().split(" ")
        read = datetime.fromisoformat(moment)
        if read.tzinfo is None:
            raise ValueError("no zone")
        return read, last
    except (ValueError, binascii.Error) as error:
        raise Problem("bad-request", "The cursor is none of this service's; start from the first page.") from error
