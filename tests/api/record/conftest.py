"""A database with the record in it, without the rest of the service."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from wearvision_api.record.heads import introduce
from wearvision_api.record.keys import RecordKey, open_key
from wearvision_api.record.ledger import append
from wearvision_api.settings import Settings
from wearvision_api.store.engine import migrate, open_engine


@pytest.fixture
def engine(settings: Settings) -> Iterator[Engine]:
    engine = open_engine(settings.database_url)
    migrate(engine)
    yield engine
    engine.dispose()


@pytest.fixture
def session(engine: Engine) -> Iterator[Session]:
    with Session(engine) as session:
        yield session


@pytest.fixture
def key(tmp_path: Path) -> RecordKey:
    return open_key(tmp_path / "key.pem")


@pytest.fixture
def chain(session: Session, key: RecordKey) -> Session:
    """A record of seven entries, of our own invention."""
    introduce(session, key)
    append(session, "anna", "opened", "return", "r-1", after={"number": "26-00042-31", "hours": 1210.5})
    append(session, "anna", "added", "return", "r-1", after={"view": "face"}, photos=["ab" * 32])
    append(session, "bo", "changed", "return", "r-1", before={"lot": ""}, after={"lot": "Ä-7 “blue” \U0001f527"})
    append(session, "bo", "decided", "return", "r-1", after={"outcome": "accept", "reason": "line\nbreak"})
    append(session, "anna", "opened", "return", "r-2", after={"number": "26-00043-28", "value": 10**15})
    append(session, "cy", "signed", "return", "r-1", after=None, before={"waiting": [1, 2.5, None, True]})
    session.commit()
    return session


@pytest.fixture
def unguarded(engine: Engine) -> Callable[..., None]:
    """Runs a statement as somebody would who takes the guards away first."""

    def run(statement: str, **values: object) -> None:
        is_sqlite = engine.dialect.name == "sqlite"
        names = [f"{table}_no_{step}" for table in ("record_entries", "tombstones") for step in ("update", "delete")]
        with engine.begin() as connection:
            if is_sqlite:
                for name in names:
                    connection.execute(text(f"drop trigger if exists {name}"))
            else:
                connection.execute(text("set local session_replication_role = replica"))  # triggers stay silent
            connection.execute(text(statement), values)

    return run
