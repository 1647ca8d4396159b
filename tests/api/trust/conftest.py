"""Invented grades with the hand checks that came back, straight in a database or as they are counted."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy.orm import Session

from wearvision_api.accounts.gate import LOCAL_ID, ensure_local
from wearvision_api.settings import Settings
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.store.tables import GradeRow, Inspection, Machine, ReadingRow, new_id
from wearvision_api.store.teaching_tables import AskedRow
from wearvision_api.trust.facts import INPUTS
from wearvision_api.trust.population import Counted

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
"""A Monday."""
CHECKS = {"flame_cell": "cell-wipe", "electrode": "electrode-wipe", "coupler": "coupler-wipe"}
MODES = {
    "flame_cell": {"film": "serviceable"},
    "electrode": {"residue": "serviceable"},
    "coupler": {"grime": "serviceable"},
}


class Store:
    """Writes grades into a database."""

    def __init__(self, session: Session) -> None:
        self.session = session

    def machine(self) -> str:
        row = Machine(id=new_id(), owner_id=LOCAL_ID, identifier=new_id(), interval_hours=500, interval_days=365)
        self._add(row)
        return row.id

    def grade(
        self,
        grade: str | None = "serviceable",
        *,
        part: str | None = "coupler",
        day: float = 0,
        machine: str | None = None,
        standing: str = "",
        found: str | None = None,
        readings: tuple[tuple[str, str], ...] = (),
        chance: float = 1.0,
        asked: bool = True,
        why: str = "worn",
        by_eye: str | None = None,
        possible: tuple[str, ...] = (),
        modes: dict[str, str] | None = None,
        checks: tuple[str, ...] = ("coupler-wipe",),
        after: tuple[str, ...] = (),
        model: str = "mixed-2",
        inputs: dict[str, float] | None = None,
    ) -> str:
        at = START + timedelta(days=day)
        visit = None
        if machine is not None:
            visit = Inspection(id=new_id(), owner_id=LOCAL_ID, machine_id=machine, begun_at=at)
            self._add(visit)
        row = GradeRow(
            id=new_id(),
            owner_id=LOCAL_ID,
            inspection_id=visit.id if visit else None,
            part=part,
            grade=grade,
            report={},
            pictures=[],
            created_at=at,
            verdict={"standing": standing, "grade": found or grade} if standing else None,
            override={"grade": by_eye, "reason": "Loose."} if by_eye else None,
        )
        self._add(row)
        facts: dict[str, Any] = {
            "checks": list(checks),
            "possible": list(possible or ([grade] if grade else [])),
            "modes": modes or {},
            "model": {"id": model, "sha256": "0" * 64, "rate": 0.95},
            "inputs": inputs or {},
            "after": list(after),
        }
        self._add(AskedRow(grade_id=row.id, chance=chance, asked=asked, why=why, facts=facts, at=at))
        for place, (check, says) in enumerate(readings):
            self._add(
                ReadingRow(
                    owner_id=LOCAL_ID,
                    grade_id=row.id,
                    check=check,
                    value={"value": "as entered", "unit": ""},
                    finding={"check": check, "entered": "as entered", "says": says, "text": "", "modes": []},
                    created_at=at + timedelta(minutes=place),
                )
            )
        return row.id

    def take(self, rows: list[Counted]) -> None:
        """Writes grades that are counted, each at a visit to its machine."""
        machines: dict[str, str] = {}
        for one in rows:
            if one.place not in machines:
                machines[one.place] = self.machine()
            self.grade(
                one.grade,
                part=one.part,
                day=(one.at - START) / timedelta(days=1),
                machine=machines[one.place],
                standing=one.standing,
                found="replace" if one.standing == "overridden" else None,
                readings=((CHECKS[one.part], "replace" if one.standing == "overridden" else "good"),)
                if one.standing
                else (),
                chance=one.chance,
                asked=one.asked,
                why=one.why,
                possible=("serviceable", "clean-and-reuse") if one.why == "doubt" else (),
                modes=MODES[one.part],
                checks=(CHECKS[one.part],),
                inputs=dict(one.inputs),
            )

    def _add(self, row: Any) -> None:
        self.session.add(row)


@pytest.fixture
def store(settings: Settings) -> Iterator[Store]:
    engine = open_engine(settings.database_url)
    migrate(engine)
    with Session(engine, expire_on_commit=False) as session:
        ensure_local(session)
        session.flush()
        yield Store(session)
        session.commit()
    engine.dispose()


def company(
    rng: np.random.Generator,
    weeks: int,
    *,
    visits: int = 12,
    machines: int = 150,
    changes: int | None = None,
    shift: float = 0.0,
    fewer: float = 0.0,
    start: datetime = START,
) -> list[Counted]:
    """Grades of an invented company, three parts a visit.

    Args:
        rng: Source of chance.
        weeks: How long.
        visits: A week.
        machines: Whose photos resemble each other: half the variance of each number is the machine's own.
        changes: Week from which something is different; None: never.
        shift: Of the photos' brightness then, in standard deviations.
        fewer: How much less often checks bear serviceables out then.
        start: Moment of the first visit.
    """
    own = rng.normal(size=(machines, 3, len(INPUTS))) * np.sqrt(0.5)
    rows = []
    for week in range(weeks):
        is_changed = changes is not None and week >= changes
        for visit in range(visits):
            machine = int(rng.integers(machines))
            at = start + timedelta(weeks=week, hours=8 * visit)
            for place, part in enumerate(("flame_cell", "electrode", "coupler")):
                numbers = own[machine, place] + rng.normal(size=len(INPUTS)) * np.sqrt(0.5)
                numbers[INPUTS.index("brightness")] += shift * is_changed
                rows.append(_counted(rng, f"m{machine}", at, part, numbers, fewer * is_changed))
    return rows


def _counted(
    rng: np.random.Generator, place: str, at: datetime, part: str, numbers: np.ndarray, fewer: float
) -> Counted:
    usable, doubt, drawn, answers, luck = rng.random(5)
    inputs = dict(zip(INPUTS, map(float, numbers), strict=True))
    if usable < 0.05:
        return Counted(f"{at}{part}", at, part, None, place, 1.0, False, "no grade", inputs=inputs)
    chance, why, right = (1.0, "doubt", 0.7) if doubt < 0.25 else (0.2, "drawn", 0.95)
    is_asked = drawn < chance
    is_settled = is_asked and answers < (0.9 if why == "doubt" else 0.6)
    standing = ("confirmed" if luck < right - fewer else "overridden") if is_settled else ""
    why = why if is_asked else "not drawn"
    return Counted(
        f"{at}{part}", at, part, "serviceable", place, chance, is_asked, why, inputs=inputs, standing=standing
    )
