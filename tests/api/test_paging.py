"""Walking the pages gives every record once, newest first, whatever the page size and however many share a moment."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import settings as bounds
from hypothesis import strategies as st
from sqlalchemy import Engine, delete, select
from sqlalchemy.orm import Session

from wearvision_api.problems import Problem
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.store.paging import page
from wearvision_api.store.tables import Account, Machine, new_id

START = datetime(2026, 1, 1, tzinfo=UTC)
OWNER = "00000000-0000-4000-8000-000000000002"


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Engine:
    made = open_engine(f"sqlite:///{tmp_path_factory.mktemp('data') / 'x.sqlite'}")
    migrate(made)
    with Session(made) as session:
        session.add(Account(id=OWNER, name="owner", role="technician"))
        session.commit()
    return made


def machine(number: int, moment: datetime) -> Machine:
    return Machine(
        id=new_id(), owner_id=OWNER, identifier=f"H-{number}", created_at=moment, interval_hours=1, interval_days=1
    )


def walk(session: Session, limit: int) -> list[str]:
    found: list[str] = []
    cursor: str | None = ""
    while cursor is not None:
        rows, cursor = page(session, select(Machine), Machine, cursor, limit)
        assert len(rows) <= limit
        found.extend(row.id for row in rows)
    return found


@bounds(max_examples=40, deadline=None)
@given(
    moments=st.lists(st.integers(0, 3), max_size=23),
    limit=st.integers(1, 9),
    micros=st.sampled_from([1, 1000, 1_000_000]),
)
def test_walk_gives_every_record_once_newest_first(engine: Engine, moments: list[int], limit: int, micros: int) -> None:
    with Session(engine) as session:
        session.execute(delete(Machine))
        rows = [machine(n, START + timedelta(microseconds=m * micros)) for n, m in enumerate(moments)]
        session.add_all(rows)
        session.flush()
        expected = [row.id for row in sorted(rows, key=lambda row: (row.created_at, row.id), reverse=True)]
        assert walk(session, limit) == expected
        session.rollback()


def test_records_added_while_walking_move_nothing(engine: Engine) -> None:
    with Session(engine) as session:
        session.add_all(machine(n, START + timedelta(seconds=n)) for n in range(6))
        session.flush()
        first, cursor = page(session, select(Machine), Machine, "", 3)
        session.add(machine(99, START + timedelta(days=1)))
        session.flush()
        second, end = page(session, select(Machine), Machine, str(cursor), 3)
        assert [row.identifier for row in [*first, *second]] == [f"H-{n}" for n in (5, 4, 3, 2, 1, 0)]
        assert end is None
        session.rollback()


@given(cursor=st.text(min_size=1, max_size=60) | st.binary(min_size=1, max_size=40).map(lambda raw: raw.hex()))
@bounds(max_examples=60, deadline=None)
def test_foreign_cursor_is_refused(engine: Engine, cursor: str) -> None:
    with Session(engine) as session, pytest.raises(Problem) as told:
        page(session, select(Machine), Machine, cursor, 5)
    assert told.value.code == "bad-request"
