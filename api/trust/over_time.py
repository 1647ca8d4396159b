"""Rates by month or quarter and by model, and when which model came into use."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.store.teaching_tables import ModelTurn
from wearvision_api.trust.population import Counted
from wearvision_api.trust.rates import confirmed, kept_promise
from wearvision_api.trust.shares import Share

Every = Literal["month", "quarter"]
Key = TypeVar("Key")


@dataclass(frozen=True, slots=True)
class Period:
    """A month or quarter: its name, its first day, the first day after it, how many grades, and the share confirmed."""

    name: str
    begins: date
    ends: date
    grades: int
    share: Share


@dataclass(frozen=True, slots=True)
class ModelLine:
    """Grades of one model.

    Attributes:
        model: Id.
        first: Moment of its first grade.
        last: Of its last one.
        grades: How many.
        confirmed: Share that hand checks bore out.
        promise: Share whose possible grades held the one found by hand.
    """

    model: str
    first: datetime
    last: datetime
    grades: int
    confirmed: Share
    promise: Share


@dataclass(frozen=True, slots=True)
class Turn:
    """A model that came into use: its id (empty: that of the settings), and when."""

    model: str
    at: datetime


def by_period(rows: Sequence[Counted], every: Every) -> list[Period]:
    """One row a month or quarter (UTC) that has a grade, oldest first."""
    span = 1 if every == "month" else 3
    groups = _grouped(rows, lambda one: _start(one.at, span))
    return [
        Period(_name(begins, every), begins, _after(begins, span), len(mine), confirmed(mine))
        for begins, mine in sorted(groups.items())
    ]


def by_model(rows: Sequence[Counted]) -> list[ModelLine]:
    """One row a model, by its first grade."""
    lines = [
        ModelLine(model, mine[0].at, mine[-1].at, len(mine), confirmed(mine), kept_promise(mine))
        for model, mine in _grouped(rows, lambda one: one.model).items()
    ]
    return sorted(lines, key=lambda line: line.first)


def turns(session: Session) -> list[Turn]:
    """When which model came into use, oldest first."""
    query = select(ModelTurn.model, ModelTurn.at).where(ModelTurn.kind == "use").order_by(ModelTurn.place)
    return [Turn(*row) for row in session.execute(query)]


def _grouped(rows: Sequence[Counted], key: Callable[[Counted], Key]) -> dict[Key, list[Counted]]:
    groups: dict[Key, list[Counted]] = defaultdict(list)
    for one in rows:
        if one.grade is not None:
            groups[key(one)].append(one)
    return groups


def _start(at: datetime, span: int) -> date:
    day = at.astimezone(UTC).date()
    return date(day.year, (day.month - 1) // span * span + 1, 1)


def _after(begins: date, span: int) -> date:
    months = begins.month - 1 + span
    return date(begins.year + months // 12, months % 12 + 1, 1)


def _name(begins: date, every: Every) -> str:
    return f"{begins:%Y-%m}" if every == "month" else f"{begins.year} Q{(begins.month + 2) // 3}"
