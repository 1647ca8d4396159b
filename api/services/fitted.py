"""The population: how many parts were fitted or sold, line by line or as a table."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Sequence
from typing import BinaryIO

from pydantic import ValidationError
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append
from wearvision_api.routes.figure_schemas import FittedCreate
from wearvision_api.store.return_tables import Fitted
from wearvision_api.store.tables import new_id, now

COLUMNS = ("part", "part_number", "lot", "since", "count", "hours_a_day")
NEEDED = ("part", "since", "count")
MOST_BYTES = 4 * 2**20
MOST_LINES = 20_000


def record(session: Session, who: Caller, said: FittedCreate) -> Fitted:
    """Records one line. The caller commits."""
    row = _row(who, said)
    session.add(row)
    session.flush()
    append(session, who.name, "recorded", "population", row.id, after=_plain(row))
    return row


def read_table(file: BinaryIO) -> tuple[list[FittedCreate], str]:
    """The lines of a CSV table in UTF-8, and the SHA-256 of its bytes.

    Args:
        file: With a first line that names the columns: some of ``COLUMNS``, ``NEEDED`` among them.

    Raises:
        Problem: it is too large, no such table, or a line is wrong; the first wrong line is named.
    """
    data = file.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise Problem("too-large", f"The table has more than {MOST_BYTES // 2**20} MiB; send it in pieces.")
    try:
        reader = csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True)
        names = [name.strip() for name in reader.fieldnames or ()]
        if not set(NEEDED) <= set(names) <= set(COLUMNS) or len(set(names)) < len(names):
            raise Problem("invalid", f"The first line must name the columns: {', '.join(COLUMNS)}.")
        reader.fieldnames = names
        lines = [_line(reader.line_num, row) for row in reader]
    except (UnicodeDecodeError, csv.Error) as error:
        raise Problem("invalid", f"This is no table in CSV and UTF-8: {error}.") from error
    if not 0 < len(lines) <= MOST_LINES:
        raise Problem("invalid", f"The table has {len(lines)} lines; 1 to {MOST_LINES} are taken at once.")
    return lines, hashlib.sha256(data).hexdigest()


def take_table(session: Session, who: Caller, lines: Sequence[FittedCreate], digest: str) -> tuple[str, int]:
    """Records all lines of a table, or none. The caller commits.

    Returns:
        The id under which the record names the table, and the number of parts.
    """
    rows = [_row(who, one) for one in lines]
    session.add_all(rows)
    session.flush()
    parts = sum(row.count for row in rows)
    table = new_id()
    append(
        session, who.name, "read in", "population", table, after={"lines": len(rows), "parts": parts, "sha256": digest}
    )
    return table, parts


def strike(session: Session, who: Caller, fitted_id: str) -> str:
    """Takes a line out that was wrong; the record keeps it. Gives its part. The caller commits.

    Raises:
        Problem: there is no such line.
    """
    row = session.scalar(select(Fitted).where(Fitted.id == fitted_id).with_for_update())
    if row is None:
        raise Problem("not-found", f"There is no line {fitted_id} in the population.")
    before = _plain(row)
    session.delete(row)
    session.flush()
    append(session, who.name, "struck", "population", fitted_id, before=before)
    return row.part


def listed(part: str = "") -> Select[Fitted]:
    """The population's lines, for a page of them."""
    query = select(Fitted)
    return query.where(Fitted.part == part) if part else query


def _line(number: int, row: dict[str | None, str | list[str] | None]) -> FittedCreate:
    if None in row or None in row.values():
        raise Problem("invalid", f"Line {number}: it has more or fewer columns than the first line.")
    said = {name: value.strip() for name, value in row.items() if isinstance(value, str) and value.strip()}
    try:
        return FittedCreate.model_validate(said)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise Problem("invalid", f"Line {number}, {where}: {first['msg']}. Nothing was recorded.") from error


def _row(who: Caller, said: FittedCreate) -> Fitted:
    fields = said.model_dump(exclude={"id"})
    return Fitted(id=said.id or new_id(), owner_id=who.id, created_at=now(), **fields)


def _plain(row: Fitted) -> dict[str, object]:
    return {name: getattr(row, name) for name in COLUMNS if name != "since"} | {"since": row.since.isoformat()}
