"""All rows of a database as JSON lines and back, the same for every engine."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Connection,
    Date,
    DateTime,
    Float,
    LargeBinary,
    MetaData,
    Table,
    bindparam,
    insert,
    select,
    update,
)

BATCH = 500
LEFT_OUT = frozenset({"alembic_version", "schema_floor", "logins", "tries", "likeness_marks"})
"""Revision and floor come by migrating; browsers log in anew after a restore; marks are made of the likenesses."""


def tables_of(connection: Connection) -> list[Table]:
    """The tables as they are in the database, whatever its revision; those referred to come first."""
    metadata = MetaData()
    metadata.reflect(connection)
    for table in metadata.tables.values():
        for column in table.columns:
            if isinstance(column.type, JSON):
                column.type = JSON(none_as_null=True)  # what was NULL stays NULL, not JSON's null
    return [table for table in metadata.sorted_tables if table.name not in LEFT_OUT]


def dump(connection: Connection, table: Table) -> Iterator[bytes]:
    """A line of JSON for each row, ordered by key."""
    rows = connection.execute(
        select(table).order_by(*table.primary_key.columns), execution_options={"yield_per": BATCH}
    )
    for row in rows.mappings():
        plain = {name: _plain(value) for name, value in row.items()}
        yield json.dumps(plain, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return (value if value.tzinfo else value.replace(tzinfo=UTC)).astimezone(UTC).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bytes):
        return base64.b64encode(value).decode()
    return value


def load(connection: Connection, table: Table, lines: Iterable[bytes]) -> int:
    """Writes dumped rows into an empty table; gives their number. The caller commits.

    A row may refer to a later one of the same table: such references are filled in at the end.
    """
    own = [column.name for column in table.columns if any(key.column.table is table for key in column.foreign_keys)]
    keys = [column.name for column in table.primary_key.columns]
    later: list[dict[str, Any]] = []
    batch: list[dict[str, Any]] = []
    number = 0
    for line in lines:
        row = {name: _typed(table, name, value) for name, value in json.loads(line).items()}
        if any(row[name] is not None for name in own):
            later.append({f"_{name}": row[name] for name in (*keys, *own)})
            row |= dict.fromkeys(own)
        batch.append(row)
        number += 1
        if len(batch) == BATCH:
            connection.execute(insert(table), batch)
            batch = []
    if batch:
        connection.execute(insert(table), batch)
    if later:
        same = [table.c[name] == bindparam(f"_{name}") for name in keys]
        connection.execute(update(table).where(*same).values({name: bindparam(f"_{name}") for name in own}), later)
    return number


def _typed(table: Table, name: str, value: Any) -> Any:
    kind = table.c[name].type
    if value is None:
        return None
    if isinstance(kind, DateTime):
        return datetime.fromisoformat(value)
    if isinstance(kind, Date):
        return date.fromisoformat(value)
    if isinstance(kind, LargeBinary):
        return base64.b64decode(value)
    if isinstance(kind, Boolean):
        return bool(value)
    if isinstance(kind, Float):
        return float(value)
    return value
