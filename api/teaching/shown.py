"""What somebody may see of an example: neither others' labels nor the model's opinion before their own is saved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.labels.settling import differences
from wearvision.labels.truth import Difference
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow, LabelRow
from wearvision_api.teaching.labelling import turn_for
from wearvision_api.teaching.settling import given, standing_labels

Asks = Literal["label", "third", "again", "correction", "nothing"]
TO_LABEL = "to label"
"""State shown to those who have not labelled an example: whether somebody else has is not for them to know."""


@dataclass(frozen=True, slots=True)
class Shown:
    """An example as one person may see it.

    Attributes:
        row: The example.
        state: Its state, or ``TO_LABEL``.
        asks: What a label of theirs would be.
        own: Their newest label that stands.
        labels: Those that count, oldest first; empty while they are blind.
        differences: Where the first two labels differ.
        doubt: What the doubting model says, where it is shown again.
        is_open: Whether truth, reasons and origin may be seen.
        sees_opinion: Whether the model's opinion may be seen.
    """

    row: ExampleRow
    state: str
    asks: Asks
    own: LabelRow | None
    labels: tuple[LabelRow, ...]
    differences: tuple[Difference, ...]
    doubt: DoubtRow | None
    is_open: bool
    sees_opinion: bool


def shown_to(house: House, session: Session, who: Caller, row: ExampleRow) -> Shown:
    """What somebody may see of an example.

    Args:
        house: For the limits in force.
        session: For reading.
        who: Looks at it.
        row: The example.
    """
    query = select(LabelRow).where(LabelRow.example_id == row.id).order_by(LabelRow.created_at, LabelRow.id)
    every = session.scalars(query).all()
    standing = standing_labels(every)
    own = next((one for one in reversed(standing) if one.owner_id == who.id), None)
    asks = _asks(row, every, who)
    is_blind = row.state in ("waiting", "second") and own is None
    others = () if row.state in ("waiting", "second") else standing
    blind = [one for one in standing if one.turn < 3]
    differ = row.state == "third" and len(blind) > 1
    return Shown(
        row=row,
        state=TO_LABEL if is_blind else row.state,
        asks=asks,
        own=own,
        labels=tuple(others or ([own] if own is not None else [])),
        differences=differences(given(blind[0]), given(blind[1]), house.grader.limits) if differ else (),
        doubt=session.get(DoubtRow, row.id) if row.state == "again" else None,
        is_open=not is_blind,
        sees_opinion=own is not None or (row.state == "settled" and asks == "nothing"),
    )


def _asks(row: ExampleRow, labels: Sequence[LabelRow], who: Caller) -> Asks:
    try:
        turn = turn_for(row, labels, who)
    except Problem:
        return "nothing"
    if row.state in ("third", "again"):
        return "third" if turn == 3 else "again"
    own = any(one.owner_id == who.id for one in standing_labels(labels))
    return "correction" if own else "label"


__all__ = ["TO_LABEL", "Asks", "Shown", "shown_to"]
