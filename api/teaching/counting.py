"""How far teaching has come, in numbers."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from sqlalchemy import exists, func, select
from sqlalchemy.orm import Session

from wearvision_api.store.teaching_tables import ExampleRow, LabelRow
from wearvision_api.teaching.examples import permitted

STATES = ("waiting", "second", "third", "again", "settled", "left out")


@dataclass(frozen=True, slots=True)
class Counts:
    """How far teaching has come.

    Attributes:
        states: Examples by state; all of ``STATES`` are named.
        settled: Settled examples by ``part, grade``; without a grade by ``part, unfit`` or ``none``.
        splits: Settled examples by split.
        random: Labelled examples of the random sample.
        permitted: Photos with permission that are no example yet.
    """

    states: dict[str, int]
    settled: dict[str, int]
    splits: dict[str, int]
    random: int
    permitted: int


def counts(session: Session) -> Counts:
    """All numbers of the overview."""
    by_state = session.execute(select(ExampleRow.state, func.count()).group_by(ExampleRow.state)).all()
    found = {str(state): int(number) for state, number in by_state}
    settled = session.execute(select(ExampleRow.truth, ExampleRow.split).where(ExampleRow.state == "settled")).all()
    labelled = exists().where(LabelRow.example_id == ExampleRow.id, LabelRow.withdrawn_at.is_(None))
    drawn = select(func.count()).select_from(ExampleRow).where(ExampleRow.at_random, labelled)
    return Counts(
        {state: found.get(state, 0) for state in STATES},
        dict(sorted(Counter(kind_of(truth) for truth, _ in settled).items())),
        dict(sorted(Counter(split for _, split in settled).items())),
        session.scalar(drawn) or 0,
        len(permitted(session)),
    )


def kind_of(truth: dict[str, object] | None) -> str:
    """What a settled example counts as."""
    told = truth or {}
    part = str(told.get("part", "none"))
    if part == "none":
        return part
    return f"{part}, {told.get('grade') or ('unfit' if told.get('fit') is False else 'no grade')}"


__all__ = ["STATES", "Counts", "counts", "kind_of"]
