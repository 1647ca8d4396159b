"""Machines: what they are called, their hour meter, parts as installed, next service due, history."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from wearvision.standard import Limits
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.services import photos
from wearvision_api.services.due import Due, next_service
from wearvision_api.services.history import Seen, Series, Visit, series_of
from wearvision_api.services.meter import Read, RunsBackwards, running_hours
from wearvision_api.store.tables import GradeRow, Inspection, InstalledPhoto, Machine, MeterReading, new_id, now


@dataclass(frozen=True, slots=True)
class Described:
    """What is said of a machine; None: as it was, or the default."""

    identifier: str | None = None
    description: str | None = None
    interval_hours: int | None = None
    interval_days: int | None = None
    notes: str | None = None


def create(
    house: House, session: Session, who: Caller, said: Described, hours: float | None, record_id: str | None
) -> Machine:
    """Takes a machine in. The caller commits.

    Raises:
        sqlalchemy.exc.IntegrityError: the identifier is in use.
    """
    machine = Machine(
        id=record_id or new_id(),
        owner_id=who.id,
        identifier=said.identifier or "",
        description=said.description or "",
        notes=said.notes or "",
        interval_hours=said.interval_hours or house.settings.service_hours,
        interval_days=said.interval_days or house.settings.service_days,
        references=[],
        meter=[],
    )
    session.add(machine)
    session.flush()
    if hours is not None:
        read_meter(session, who, machine, hours, now())
    return machine


def find(session: Session, machine_id: str, *, to_change: bool = False) -> Machine:
    """A machine. Raises Problem where there is none.

    Args:
        session: Open.
        machine_id: Whose.
        to_change: Hold the row, so that two changes at the same time follow each other.
    """
    query = select(Machine).where(Machine.id == machine_id).execution_options(populate_existing=True)
    row = session.scalar(query.with_for_update() if to_change else query)
    if row is None:
        raise Problem("not-found", f"There is no machine {machine_id}.")
    return row


def change(session: Session, machine: Machine, said: Described) -> Machine:
    """Changes what is said of a machine. The caller commits."""
    for name in ("identifier", "description", "interval_hours", "interval_days", "notes"):
        value = getattr(said, name)
        if value is not None:
            setattr(machine, name, value)
    machine.version += 1
    session.flush()
    return machine


def read_meter(
    session: Session,
    who: Caller,
    machine: Machine,
    hours: float,
    at: datetime,
    *,
    reason: str = "",
    inspection: Inspection | None = None,
) -> None:
    """Records what the hour meter reads; at a visit it replaces what was read there before. The caller commits.

    Raises:
        Problem: the meter would run backwards, and no reason is given.
    """
    row = next((one for one in machine.meter if inspection and one.inspection_id == inspection.id), None)
    if row is None:
        row = MeterReading(owner_id=who.id, machine_id=machine.id, inspection_id=inspection.id if inspection else None)
        machine.meter.append(row)
    row.at, row.hours, row.reason = at, hours, reason or row.reason or ""
    _settle(session, machine)


def correct_meter(session: Session, machine: Machine, hours: float) -> None:
    """Puts the newest reading right, which was a typing error. The caller commits.

    Raises:
        Problem: it was read at a visit, or the meter would run backwards.
    """
    newest = max(machine.meter, key=lambda one: one.at, default=None)
    if newest is None or newest.inspection_id is not None:
        raise Problem("conflict", "The newest reading was taken at a visit, or there is none: correct it there.")
    newest.hours = hours
    _settle(session, machine)


def _settle(session: Session, machine: Machine) -> None:
    rows = sorted(machine.meter, key=lambda one: one.at)
    try:
        running_hours([Read(one.at, one.hours, one.reason) for one in rows])
    except RunsBackwards as error:
        raise Problem("conflict", str(error)) from error
    machine.hours = rows[-1].hours
    machine.version += 1
    session.flush()


def running(machine: Machine) -> dict[str | None, float]:
    """Running hours by inspection, and the newest under None; empty where the meter was never read."""
    rows = sorted(machine.meter, key=lambda one: one.at)
    total = running_hours([Read(one.at, one.hours, one.reason) for one in rows])
    found: dict[str | None, float] = {
        one.inspection_id: hours for one, hours in zip(rows, total, strict=True) if one.inspection_id
    }
    if total:
        found[None] = total[-1]
    return found


def keep_reference(session: Session, who: Caller, machine: Machine, part: str, photo_id: str) -> Machine:
    """Keeps a photo of a part *as installed*; later ones are graded beside it. The caller commits.

    Raises:
        Problem: there is no such photo.
    """
    photo = photos.demand_kept(photos.find(session, who, photo_id))
    row = session.get(InstalledPhoto, (machine.id, part))
    if row is None:
        session.add(InstalledPhoto(machine_id=machine.id, part=part, photo_id=photo.id))
    else:
        row.photo_id, row.kept_at = photo.id, now()
    machine.version += 1
    session.flush()
    session.refresh(machine, ["references"])
    return machine


def due(session: Session, machine: Machine, at: datetime | None = None) -> Due:
    """When the machine's next service is due.

    Args:
        session: Open.
        machine: Whose.
        at: The moment to reckon from; None for now.
    """
    last = session.scalar(
        select(Inspection)
        .where(Inspection.machine_id == machine.id, Inspection.serviced, Inspection.closed_at.is_not(None))
        .order_by(Inspection.begun_at.desc())
        .limit(1)
    )
    total = running(machine)
    run = total[None] - total[last.id] if last is not None and last.id in total else None
    return next_service(
        interval_hours=machine.interval_hours,
        interval_days=machine.interval_days,
        serviced_at=last.begun_at if last else None,
        now=at or now(),
        meter=machine.hours,
        run=run,
        read_at=max((one.at for one in machine.meter), default=None),
    )


def inspections(session: Session, machine: Machine) -> list[Inspection]:
    """Its visits, newest first, with their grades."""
    return list(
        session.scalars(
            select(Inspection)
            .where(Inspection.machine_id == machine.id)
            .options(selectinload(Inspection.grades))
            .order_by(Inspection.begun_at.desc())
        )
    )


def history(session: Session, machine: Machine, limits: Limits) -> tuple[Series, ...]:
    """Each measure of its parts over running hours; visits without an hour meter cannot be placed and are left out."""
    total = running(machine)
    visits = [
        Visit(visit.id, visit.begun_at, total[visit.id], tuple(_seen(row) for row in visit.grades if _counts(row)))
        for visit in reversed(inspections(session, machine))
        if visit.id in total
    ]
    return series_of(visits, limits)


def _counts(row: GradeRow) -> bool:
    return row.part is not None and bool(row.report["usable"])


def _seen(row: GradeRow) -> Seen:
    return Seen(row.id, str(row.part), row.report["measures"], (row.outcome or {}).get("done", ""))
