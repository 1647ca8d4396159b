"""Runs migrations on the engine that the service has opened."""

from __future__ import annotations

from typing import Any, Literal

from alembic import context

from wearvision_api.store.tables import Base, Instant


def _render(kind: str, item: Any, _context: object) -> str | Literal[False]:
    """Migrations must not depend on code that changes: our moments are written as plain types."""
    return "sa.DateTime(timezone=True)" if kind == "type" and isinstance(item, Instant) else False


engine = context.config.attributes["engine"]
with engine.connect() as connection:
    context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True, render_item=_render)
    with context.begin_transaction():
        context.run_migrations()
    connection.commit()
