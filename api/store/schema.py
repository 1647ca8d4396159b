"""What tables a program needs and what tables are there: who migrates, who waits, who refuses.

A company migrates first and then starts its processes anew one by one, so programs of two ages work on one database for
a while. That holds as long as a migration only adds (``expand``): tables, indexes, columns that may be empty or have a
default of the server's. One that takes away, renames or tightens (``contract``) comes a release later, when no program
needs the old form any more, and raises the floor: the oldest revision whose programs may still work on these tables.
"""

from __future__ import annotations

import logging

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect, select

from wearvision.errors import SetupError
from wearvision_api.store.engine import migrate, migration_config
from wearvision_api.store.tables import SchemaFloor

LOG = logging.getLogger(__name__)
COMMAND = "wearvision migrate"


def settle(engine: Engine, *, may_migrate: bool) -> None:
    """Makes sure that this program may work on the tables that are there.

    Args:
        engine: Open.
        may_migrate: Whether to bring older tables, or none at all, to the newest form first.

    Raises:
        wearvision.errors.SetupError: the tables are older and this process may not migrate, or they are newer and no
            longer fit this program.
    """
    have, own = revision(engine), newest(engine)
    if have == own:
        return
    if have is None or is_known(engine, have):
        if not may_migrate:
            there = f"is at {have}" if have else "has no tables"
            raise SetupError(f"The database {there}; this program needs {own}. Run '{COMMAND}' first.")
        migrate(engine)
        return
    least = floor(engine)
    if least is None or least > own:
        raise SetupError(
            f"The database is at {have}, made by a newer program, and no longer fits this one (at {own}; it must be at "
            f"{least or have} or later). Start the newer program."
        )
    LOG.warning("the database is at %s, newer than this program (%s), and still fits it", have, own)


def demand_known(engine: Engine) -> None:
    """Refuses tables of a newer program, of which this one does not know what they hold.

    Raises:
        wearvision.errors.SetupError: they are.
    """
    have = revision(engine)
    if have is not None and not is_known(engine, have):
        raise SetupError(f"The database is at {have}, made by a newer program; use that one.")


def revision(engine: Engine) -> str | None:
    """Of the tables that are there; None: there are none."""
    with engine.execution_options(writes=False).connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def newest(engine: Engine) -> str:
    """What this program needs."""
    found = _script(engine).get_current_head()
    assert found is not None
    return found


def is_known(engine: Engine, name: str) -> bool:
    """Whether this program has that revision."""
    return any(one.revision == name for one in _script(engine).walk_revisions())


def floor(engine: Engine) -> str | None:
    """The oldest revision whose programs still work on the tables; None: the tables do not say."""
    if not inspect(engine).has_table(SchemaFloor.__tablename__):
        return None
    with engine.execution_options(writes=False).connect() as connection:
        found: str | None = connection.scalar(select(SchemaFloor.revision))
    return found


def _script(engine: Engine) -> ScriptDirectory:
    return ScriptDirectory.from_config(migration_config(engine))
