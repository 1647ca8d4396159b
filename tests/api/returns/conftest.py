"""A returns desk with three people of an invented hire company; real database, real photos, the released model."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.returns import evidence, intake
from wearvision_api.returns.missing import missing_of
from wearvision_api.settings import Settings
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import Account

CLAIM: dict[str, Any] = {
    "part": "coupler",
    "part_number": "DC-8",
    "lot": "2611",
    "machine": "KH-13",
    "hours_installed": 900.0,
    "hours_failed": 960.0,
    "installed_on": date(2026, 7, 20),
    "failed_on": date(2026, 9, 3),
    "returned_on": date(2026, 9, 17),
    "claimant": "Ostvale Hire, yard",
    "story": "Melted. Burner ran without fuel pressure.",
    "claimed": "defect",
    "value_minor": 1980,
    "currency": "EUR",
    "kept_where": "Shelf 4",
    "kept_until": date(2027, 3, 31),
}


@dataclass(frozen=True)
class Desk:
    """A running desk and who works at it."""

    house: House
    ada: Caller
    ben: Caller
    cleo: Caller
    samples: Path

    def taken_in(self, **said: Any) -> str:
        """The id of a claim that was just taken in by Ada."""
        with self.house.session() as session:
            row = intake.open_return(session, self.ada, CLAIM | said)
            session.commit()
            return row.id

    def complete(self, return_id: str) -> None:
        """States for all that is missing why it can be done without."""
        self.act(
            return_id,
            lambda session, row: [
                evidence.waive(session, self.ada, row, one.key, "Not to be had in this test.")
                for one in missing_of(row)
                if not one.reason
            ],
        )

    def ready(self, **said: Any) -> str:
        """The id of a claim that can be decided."""
        return_id = self.taken_in(**said)
        self.complete(return_id)
        return return_id

    def act(self, return_id: str, what: Callable[..., Any]) -> Any:
        """Does something to a return that is held, and commits."""
        with self.house.session() as session:
            done = what(session, intake.find(session, return_id, to_change=True))
            session.commit()
            return done

    def read(self, return_id: str, what: Callable[[ReturnRow], Any]) -> Any:
        """Reads something of a return."""
        with self.house.session(writes=False) as session:
            return what(intake.find(session, return_id))

    def photo(self, return_id: str, view: str, name: str) -> None:
        """Puts a sample photo to a return."""
        shot = evidence.shot_of(self.house, (self.samples / name).read_bytes())
        self.act(return_id, lambda session, row: evidence.add_photo(self.house, session, self.ada, row, shot, view))


@pytest.fixture
def desk(settings: Settings, samples: Path) -> Iterator[Desk]:
    house = House.open(settings)
    with house.session() as session:
        rows = [Account(name=name, role="counter") for name in ("ada", "ben", "cleo")]
        session.add_all(rows)
        session.commit()
        people = [Caller(row.id, row.name, "counter") for row in rows]
    try:
        yield Desk(house, *people, samples)
    finally:
        house.close()
