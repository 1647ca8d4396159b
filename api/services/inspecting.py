"""A visit to a machine: opened, filled with grades and lines, closed; what is closed stays as it is."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.services import machines
from wearvision_api.store.tables import Entry, Inspection, new_id, now

Kind = Literal["setting", "cause", "part"]
FINDINGS = ("ruled out", "found", "not looked at")
"""What looking at a cause can come to."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A visit as it begins.

    Attributes:
        machine: Its id.
        begun_at: None for now.
        hours: What the hour meter reads; None where it cannot be read.
        meter_reason: Why the meter reads less than before.
        notes: Anything else.
        id: Chosen by the caller.
    """

    machine: str
    begun_at: datetime | None = None
    hours: float | None = None
    meter_reason: str = ""
    notes: str = ""
    id: str | None = None


def begin(session: Session, who: Caller, asked: Opened) -> Inspection:
    """Opens a visit. The caller commits.

    Raises:
        Problem: there is no such machine, or the hour meter would run backwards.
    """
    machine = machines.find(session, asked.machine, to_change=True)
    row = Inspection(
        id=asked.id or new_id(),
        owner_id=who.id,
        machine_id=machine.id,
        begun_at=asked.begun_at or now(),
        hours=asked.hours,
        notes=asked.notes,
    )
    session.add(row)
    session.flush()
    if asked.hours is not None:
        machines.read_meter(session, who, machine, asked.hours, row.begun_at, reason=asked.meter_reason, inspection=row)
    session.refresh(row)
    return row


def listed(machine_id: str | None = None, *, open_only: bool = False) -> Select[Inspection]:
    """Visits, for a page of them.

    Args:
        machine_id: Of one machine only.
        open_only: Those not closed yet.
    """
    query = select(Inspection)
    if machine_id is not None:
        query = query.where(Inspection.machine_id == machine_id)
    return query.where(Inspection.closed_at.is_(None)) if open_only else query


def find(session: Session, inspection_id: str, *, to_change: bool = False) -> Inspection:
    """A visit. Raises Problem where there is none.

    Args:
        session: Open.
        inspection_id: Which.
        to_change: Hold the row, so that two changes at the same time follow each other.
    """
    query = select(Inspection).where(Inspection.id == inspection_id).execution_options(populate_existing=True)
    row = session.scalar(query.with_for_update() if to_change else query)
    if row is None:
        raise Problem("not-found", f"There is no inspection {inspection_id}.")
    return row


def change(
    session: Session, who: Caller, row: Inspection, *, hours: float | None, meter_reason: str, notes: str | None
) -> Inspection:
    """Corrects the hour meter or the notes. Hours can be put right after closing, too; the caller commits.

    Raises:
        Problem: the visit is closed, or the hour meter would run backwards.
    """
    if notes is not None:
        demand_open(row)
        row.notes = notes
    if hours is not None:
        machine = machines.find(session, row.machine_id, to_change=True)
        row.hours = hours
        machines.read_meter(session, who, machine, hours, row.begun_at, reason=meter_reason, inspection=row)
    return _touched(session, row)


def add_line(
    session: Session, who: Caller, row: Inspection, kind: Kind, body: dict[str, Any], record_id: str | None = None
) -> Inspection:
    """Adds a setting measured, a cause looked at or a part used. The caller commits.

    Raises:
        Problem: the visit is closed.
    """
    demand_open(row)
    session.add(Entry(id=record_id or new_id(), owner_id=who.id, inspection_id=row.id, kind=kind, body=body))
    return _touched(session, row)


def strike_line(session: Session, row: Inspection, line_id: str) -> Inspection:
    """Takes a line out again that was entered by mistake. The caller commits.

    Raises:
        Problem: the visit is closed, or has no such line.
    """
    demand_open(row)
    line = next((one for one in row.entries if one.id == line_id), None)
    if line is None:
        raise Problem("not-found", f"This inspection has no line {line_id}.")
    session.delete(line)
    return _touched(session, row)


def close(session: Session, row: Inspection, *, service: bool) -> Inspection:
    """Ends a visit. The caller commits.

    Args:
        session: Open.
        row: The visit.
        service: Whether it was the service from which the next one is reckoned.

    Raises:
        Problem: it is closed already.
    """
    demand_open(row)
    row.closed_at, row.serviced = now(), service
    return _touched(session, row)


def demand_open(row: Inspection) -> None:
    """Raises Problem where a visit is closed."""
    if row.closed_at is not None:
        raise Problem("conflict", "The inspection is closed; begin a new one.")


def _touched(session: Session, row: Inspection) -> Inspection:
    row.version += 1
    session.flush()
    session.refresh(row)
    return row


@dataclass(frozen=True, slots=True)
class CauseToLookAt:
    """A cause that the visit's grades point to.

    Attributes:
        title: The cause.
        parts: Keys of the parts whose wear points to it.
        look_at: What to look at.
        finding: What looking came to; ``not looked at`` until a line says otherwise.
        note: The line's remark.
    """

    title: str
    parts: tuple[str, ...]
    look_at: tuple[str, ...]
    finding: str = "not looked at"
    note: str = ""


@dataclass(slots=True)
class _Gathered:
    look_at: tuple[str, ...]
    parts: dict[str, None] = field(default_factory=dict)


def causes(row: Inspection) -> list[CauseToLookAt]:
    """What may have ruined the parts seen, each with the newest finding; a cause from elsewhere comes last."""
    gathered: dict[str, _Gathered] = {}
    for grade in row.grades:
        for cause in grade.report["causes"]:
            kept = gathered.setdefault(cause["title"], _Gathered(tuple(cause["look_at"])))
            kept.parts[str(grade.part)] = None
    said = {line.body["cause"]: line.body for line in row.entries if line.kind == "cause"}
    for title in said:
        gathered.setdefault(title, _Gathered(()))
    return [
        CauseToLookAt(
            title,
            tuple(kept.parts),
            kept.look_at,
            said.get(title, {}).get("finding", "not looked at"),
            said.get(title, {}).get("note", ""),
        )
        for title, kept in gathered.items()
    ]
