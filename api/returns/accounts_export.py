"""Decided returns as a table for accounts (RFC 4180)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import UTC, date, datetime, time

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.returns.deciding import final_decision
from wearvision_api.returns.money import plain_amount
from wearvision_api.services.export import safe
from wearvision_api.store.return_tables import ReturnRow

COLUMNS = (
    *("number", "decided_on", "outcome", "value", "currency", "claimant", "part", "part_number", "lot", "serial"),
    *("machine", "returned_on", "class", "reason", "decided_by", "signed_by", "attempt"),
)
BATCH = 200


def csv_lines(session: Session, since: date, until: date) -> Iterator[str]:
    """The returns decided from ``since`` to ``until``, both days in, in the order of their decision; with a head line.

    ``value`` is the claim's value in whole units of its currency where it was accepted, 0 where it was declined.
    """
    yield _line(COLUMNS)
    start = datetime.combine(since, time(), UTC)
    end = datetime.combine(until, time.max, UTC)
    query = (
        select(ReturnRow)
        .where(ReturnRow.state == "decided", ReturnRow.closed_at >= start, ReturnRow.closed_at <= end)
        .order_by(ReturnRow.closed_at, ReturnRow.id)
    )
    for row in session.scalars(query.execution_options(yield_per=BATCH)):
        decision = final_decision(row)
        if decision is None or row.closed_at is None:
            continue
        yield _line(
            (
                row.number,
                row.closed_at.date().isoformat(),
                decision.outcome,
                _value(row, accepted=decision.outcome == "accept"),
                row.currency,
                *(row.claimant, row.part, row.part_number, row.lot, row.serial, row.machine),
                row.returned_on.isoformat(),
                decision.proposal.get("class", ""),
                decision.reason,
                decision.owner.name,
                decision.second.name if decision.second else "",
                decision.attempt,
            )
        )


def _value(row: ReturnRow, *, accepted: bool) -> str:
    if row.value_minor is None:
        return ""
    return plain_amount(row.value_minor if accepted else 0, row.currency)


def _line(cells: tuple[object, ...]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerow([safe(cell) for cell in cells])
    return out.getvalue()
