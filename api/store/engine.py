"""Opens the database: SQLite in WAL mode with full sync, or PostgreSQL; migrates it to the newest tables."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from sqlalchemy import Engine, create_engine, event, make_url
from sqlalchemy.exc import OperationalError

from wearvision.errors import SetupError
from wearvision_api.store.blobs import sync_folder

MIGRATIONS = Path(__file__).parent / "migrations"
BUSY_MS = 15_000
"""How long a writer waits for another one before SQLite gives up."""
MIGRATION_TRIES = 20
MIGRATION_PAUSE_S = 0.5
SERVER: dict[str, Any] = {
    "connect_timeout": 5,
    "tcp_user_timeout": 15_000,
    "options": " ".join(
        f"-c {name}={value}"
        for name, value in {
            "lock_timeout": BUSY_MS,
            "tcp_keepalives_idle": 30,
            "tcp_keepalives_interval": 10,
            "tcp_keepalives_count": 3,
        }.items()
    ),
}
"""For PostgreSQL: how long to wait for the server (s), for what was sent to arrive (ms), for another writer (ms); and
that the server soon misses a client whose machine is gone, with the locks that it held."""
POOL: dict[str, Any] = {
    "pool_size": 10,
    "max_overflow": 40,
    "hide_parameters": True,  # errors are logged, and values may be names or hashes of passwords
}

TOGETHER = 50
"""Connections of one process to its database, unless said otherwise."""


def open_engine(url: str, *, connections: int = TOGETHER) -> Engine:
    """An engine whose commits are on disk when they return.

    Args:
        url: Address in SQLAlchemy's form; the folder of an SQLite file is made.
        connections: To a database server, at most; its limit is shared by all processes.
    """
    if not url.startswith("sqlite"):
        kept = min(connections, int(POOL["pool_size"]))
        pool = POOL | {"pool_size": kept, "max_overflow": connections - kept}
        return create_engine(url, pool_pre_ping=True, connect_args=_for_server(url), **pool)
    Path(url.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_MS / 1000}, **POOL)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # the driver's own BEGIN comes too late to guard a read before a write
        cursor = connection.cursor()
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_MS}"):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        # A reader that turns writer fails at once if another wrote between; a writer that says so from the start waits.
        writes = connection.get_execution_options().get("writes", True)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _for_server(url: str) -> dict[str, Any]:
    """``SERVER`` but for what the address itself says."""
    return {name: value for name, value in SERVER.items() if name not in make_url(url).query}


def open_existing(url: str) -> Engine:
    """An engine for a database that is there; none is made.

    Raises:
        wearvision.errors.SetupError: there is no such file.
    """
    file = Path(url.removeprefix("sqlite:///"))
    if url.startswith("sqlite") and not file.exists():
        raise SetupError(f"There is no database {file}; is --data right?")
    return open_engine(url)


def migration_config(engine: Engine) -> Config:
    """Alembic's configuration for an open database."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["engine"] = engine
    return config


def migrate(engine: Engine, revision: str = "head") -> None:
    """Brings the tables to a revision; does nothing where they are there already.

    Processes that come together do so one after another. Where requests hold a table that is to be changed, it lets
    them go first and tries again a few times, so that nobody queues behind it for long.

    Raises:
        sqlalchemy.exc.OperationalError: a table was never free.
    """
    for left in reversed(range(MIGRATION_TRIES)):
        try:
            command.upgrade(migration_config(engine), revision)
            break
        except OperationalError as error:
            if not left or "lock timeout" not in str(error.orig).lower():
                raise
            time.sleep(MIGRATION_PAUSE_S)
    if engine.dialect.name == "sqlite" and engine.url.database:
        sync_folder(Path(engine.url.database).parent)  # the file's name, too, must survive a loss of power
