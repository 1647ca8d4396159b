"""What figures are asked for, and the returns that they are made of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from sqlalchemy import Select, and_, func, select
from sqlalchemy.orm import Session

from wearvision.standard.origins import CAUSES
from wearvision_api.store.return_tables import Decision, ReturnRow

OPEN = "open"
"""Class of cause of a return that nobody has decided, or whose cause stayed open."""
CLASSES: tuple[str, ...] = (*CAUSES, OPEN)
BATCH = 1000


@dataclass(frozen=True, slots=True)
class Asked:
    """Which returns a figure is over.

    Attributes:
        part: Key of the part.
        as_of: The day up to which everything is known; parts still running run until then.
        part_number: Only this one; empty: all.
        lot: Only this one; empty: all.
        cause: Only failures of this class of cause, one of ``CLASSES``; empty: whatever the cause.
    """

    part: str
    as_of: date
    part_number: str = ""
    lot: str = ""
    cause: str = ""

    def counts(self, cause: str) -> bool:
        """Whether a return with this class of cause is a failure for the figure."""
        return self.cause in ("", cause)


@dataclass(frozen=True, slots=True)
class Back:
    """A return, as far as figures need it; the fields are those of ``ReturnRow``."""

    part_number: str
    lot: str
    machine_id: str | None
    hours_installed: float | None
    hours_failed: float | None
    hours_last_good: float | None
    installed_on: date | None
    failed_on: date | None
    returned_on: date
    cause: str = OPEN

    @property
    def key(self) -> tuple[str, str]:
        """Part number and lot."""
        return self.part_number, self.lot

    @property
    def age_h(self) -> float | None:
        """Hours that it ran; None where the meter was not read at both ends."""
        return _between(self.hours_installed, self.hours_failed)

    @property
    def good_h(self) -> float | None:
        """Hours at which it was last found good, less than ``age_h``; None: not known, or known failed just then."""
        good, age = _between(self.hours_installed, self.hours_last_good), self.age_h
        return good if good is not None and age is not None and good < age else None


def _between(start: float | None, end: float | None) -> float | None:
    return end - start if start is not None and end is not None and end >= start else None


def cause_of(proposal: Mapping[str, Any] | None) -> str:
    """The class of cause that a decision's proposal names; ``open`` where it names none that is known."""
    named = (proposal or {}).get("class")
    return named if isinstance(named, str) and named in CLASSES else OPEN


def returns(session: Session, asked: Asked) -> Iterator[Back]:
    """The returns asked for, whatever their cause, a thousand in memory at a time."""
    for row in session.execute(_query(asked).execution_options(yield_per=BATCH)):
        fields = dict(row._mapping)
        cause = cause_of(fields.pop("proposal"))
        yield Back(**fields, cause=cause)


def _query(asked: Asked) -> Select[Any]:
    columns = (
        ReturnRow.part_number,
        ReturnRow.lot,
        ReturnRow.machine_id,
        ReturnRow.hours_installed,
        ReturnRow.hours_failed,
        ReturnRow.hours_last_good,
        ReturnRow.installed_on,
        ReturnRow.failed_on,
        ReturnRow.returned_on,
    )
    newest = (
        select(func.max(Decision.attempt))
        .where(Decision.return_id == ReturnRow.id)
        .correlate(ReturnRow)
        .scalar_subquery()
    )
    decided = and_(Decision.return_id == ReturnRow.id, Decision.attempt == newest)
    query = select(*columns, Decision.proposal).outerjoin(Decision, decided)
    query = query.where(ReturnRow.part == asked.part, ReturnRow.returned_on <= asked.as_of)
    for column, wanted in ((ReturnRow.part_number, asked.part_number), (ReturnRow.lot, asked.lot)):
        if wanted:
            query = query.where(column == wanted)
    return query.order_by(ReturnRow.returned_on, ReturnRow.id)
