"""An invented fleet: couplers of three lots at heaters, some of them back at the counter."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from wearvision_api.accounts.gate import LOCAL_ID, ensure_local
from wearvision_api.settings import Settings
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.store.return_tables import Decision, Fitted, ReturnRow
from wearvision_api.store.tables import GradeRow, Inspection, Machine, MeterReading, new_id

START = date(2026, 1, 1)
TODAY = date(2026, 6, 30)


class Fleet:
    """Writes records straight into a database."""

    def __init__(self, session: Session) -> None:
        self.session, self._count = session, itertools.count(1)

    def fitted(self, count: int, lot: str = "L1", **said: Any) -> None:
        fields = {"part": "coupler", "part_number": "C-8", "since": START, "hours_a_day": 5.0, "source": ""}
        self._add(Fitted(owner_id=LOCAL_ID, lot=lot, count=count, **fields | said))

    def back(self, lot: str = "L1", cause: str = "", **said: Any) -> str:
        """A return; ``cause`` is that of its newest decision."""
        fields = {"part": "coupler", "part_number": "C-8", "returned_on": date(2026, 5, 1), "doubt": 1.0}
        row = ReturnRow(
            id=new_id(), owner_id=LOCAL_ID, number=f"26-{next(self._count):05}-00", lot=lot, **fields | said
        )
        self._add(row)
        if cause:
            self.decided(row.id, 1, {"class": cause})
        return row.id

    def decided(self, return_id: str, attempt: int, proposal: dict[str, Any]) -> None:
        self._add(
            Decision(
                owner_id=LOCAL_ID,
                return_id=return_id,
                attempt=attempt,
                proposal=proposal,
                outcome="accept",
                reason="As found.",
                needs_second=False,
                standing="final",
            )
        )

    def machine(self, *visits: tuple[float, str, str], part: str = "coupler") -> str:
        """A machine with visits: hours, grade of the part (empty: none held), what was done."""
        machine = Machine(id=new_id(), owner_id=LOCAL_ID, identifier=new_id(), interval_hours=500, interval_days=365)
        self._add(machine)
        for place, (hours, grade, done) in enumerate(visits):
            at = datetime(2026, 1, 1, 8, tzinfo=UTC) + timedelta(days=10 * place)
            visit = Inspection(id=new_id(), owner_id=LOCAL_ID, machine_id=machine.id, begun_at=at, hours=hours)
            self._add(visit)
            self._add(
                MeterReading(owner_id=LOCAL_ID, machine_id=machine.id, inspection_id=visit.id, at=at, hours=hours)
            )
            outcome = {"done": done} if done else None
            self._add(
                GradeRow(
                    owner_id=LOCAL_ID,
                    inspection_id=visit.id,
                    part=part,
                    grade=grade or None,
                    report={},
                    pictures=[],
                    outcome=outcome,
                )
            )
        return machine.id

    def _add(self, row: Any) -> None:
        self.session.add(row)
        self.session.flush()


@pytest.fixture
def fleet(settings: Settings) -> Iterator[Fleet]:
    engine = open_engine(settings.database_url)
    migrate(engine)
    with Session(engine, expire_on_commit=False) as session:
        ensure_local(session)
        session.flush()
        yield Fleet(session)
    engine.dispose()
