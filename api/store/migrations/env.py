"""Runs migrations on the engine that the service has opened."""

from __future__ import annotations

from typing import Any, Literal

from alembic import context
from sqlalchemy import text

from wearvision_api.store.tables import Base, Instant

ONE_AT_A_TIME = 0x57454152
"""Key of PostgreSQL's advisory lock: processes that start together migrate one after another."""


def _render(kind: str, item: Any, _context: object) -> str | Literal[False]:
    """Migrations must not depend on code that changes: our moments are written as plain types."""
    return "sa.DateTime(timezone=True)" if kind == "type" and isinstance(item, Instant) else False


engine = context.config.attributes["engine"]
is_sqlite = engine.dialect.name == "sqlite"
with engine.connect() as connection:
    raw = connection.connection.driver_connection
    if is_sqlite:
        # SQLite changes a table by making it anew, and dropping the old one would break rows that refer to it.
        raw.execute("PRAGMA foreign_keys=OFF")
    try:
        if not is_sqlite:
            connection.execute(text("set local lock_timeout = 0"))
            connection.execute(text("select pg_advisory_xact_lock(:key)"), {"key": ONE_AT_A_TIME})
            connection.execute(text("set local lock_timeout = 2000"))  # whoever waits for a table makes all others wait
        context.configure(
            connection=connection,
            target_metadata=Base.metadata,
            render_as_batch=True,
            render_item=_render,
            compare_type=True,
        )
        with context.begin_transaction():
            context.run_migrations()
        if is_sqlite and (broken := connection.execute(text("PRAGMA foreign_key_check")).first()):
            raise RuntimeError(f"a migration would leave {broken[0]} referring to what is not there; it was taken back")
        connection.commit()
    finally:
        connection.rollback()
        if is_sqlite:
            raw.execute("PRAGMA foreign_keys=ON")
