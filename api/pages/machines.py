"""Pages of machines: the list, and one with its next service, parts as installed, visits and history."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, File, Form, Path, Request, Response, UploadFile
from fastapi.responses import RedirectResponse
from sqlalchemy import select

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.view import show
from wearvision_api.pages.visit_contexts import (
    DUE_WORDS,
    MachineContext,
    MachinesContext,
    hours_words,
    machine_line,
    measure_histories,
    reference_lines,
    visit_line,
)
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import UUID_FORM, Cursor, PartName
from wearvision_api.routes.visit_schemas import InspectionCreate, MachineCreate, MachineUpdate
from wearvision_api.services import inspecting, machines, photos
from wearvision_api.store.paging import page
from wearvision_api.store.tables import Machine, new_id, now

router = APIRouter(prefix="/machines", include_in_schema=False)
MachineId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Reader = Annotated[Caller, needs("machines:read")]
Writer = Annotated[Caller, needs("machines:write")]


@router.get("")
def listed(request: Request, house: HouseDep, session: SessionDep, who: Reader, cursor: Cursor = "") -> Response:
    """The machines, newest first."""
    rows, following = page(session, select(Machine), Machine, cursor, 50)
    context = MachinesContext(
        machines=tuple(machine_line(row, machines.due(session, row)) for row in rows),
        next=following or "",
        may_write=who.may("machines:write"),
        fresh=new_id(),
        hours=house.settings.service_hours,
        days=house.settings.service_days,
    )
    return show(request, who, "machines.html", context)


@router.post("")
def create(
    house: HouseDep,
    session: SessionDep,
    who: Writer,
    identifier: Field = "",
    description: Field = "",
    hours: Field = "",
    interval_hours: Field = "",
    interval_days: Field = "",
    notes: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Takes a machine in."""
    fields = {
        "identifier": identifier,
        "description": description,
        "hours": hours,
        "interval_hours": interval_hours,
        "interval_days": interval_days,
        "notes": notes,
    }
    body = read(MachineCreate, fields)
    said = machines.Described(body.identifier, body.description, body.interval_hours, body.interval_days, body.notes)
    made = once(
        session, who, fresh, "/machines", body, lambda: machines.create(house, session, who, said, body.hours, None).id
    )
    return seen(f"/machines/{made}")


@router.get("/{machine_id}")
def show_one(request: Request, house: HouseDep, session: SessionDep, machine_id: MachineId, who: Reader) -> Response:
    """One machine."""
    row = machines.find(session, machine_id)
    due = machines.due(session, row)
    run = machines.running(row).get(None)
    hours = hours_words(row.hours)
    context = MachineContext(
        machine=row,
        version=row.version,
        due=due,
        due_word=DUE_WORDS[due.state],
        hours=f"{hours}, {run:g} h run in all" if run is not None and run != row.hours else hours,
        references=reference_lines(row),
        visits=tuple(visit_line(one) for one in machines.inspections(session, row)),
        history=measure_histories(machines.history(session, row, house.grader.limits)),
        may_write=who.may("machines:write") and who.may("inspections:write"),
        fresh=new_id(),
    )
    return show(request, who, "machine.html", context)


@router.post("/{machine_id}")
def change(
    session: SessionDep,
    machine_id: MachineId,
    who: Writer,
    version: Annotated[int, Form()],
    identifier: Field = "",
    description: Field = "",
    interval_hours: Field = "",
    interval_days: Field = "",
    notes: Field = "",
) -> RedirectResponse:
    """Changes what is said of a machine; a text field left empty empties it."""
    fields = {"identifier": identifier, "interval_hours": interval_hours, "interval_days": interval_days}
    body = read(MachineUpdate, fields, {"description": description, "notes": notes})
    row = machines.find(session, machine_id, to_change=True)
    if row.version != version:
        raise Problem(
            "changed", "Somebody changed this machine since the page was opened. Open it again, then change it."
        )
    said = machines.Described(body.identifier, body.description, body.interval_hours, body.interval_days, body.notes)
    machines.change(session, row, said)
    session.commit()
    return seen(f"/machines/{machine_id}")


@router.post("/{machine_id}/hours")
def read_hours(
    session: SessionDep,
    machine_id: MachineId,
    who: Writer,
    hours: Field = "",
    meter_reason: Field = "",
    corrects: Field = "",
) -> RedirectResponse:
    """Records the hour meter between visits."""
    body = read(MachineUpdate, {"hours": hours, "meter_reason": meter_reason, "corrects": corrects})
    if body.hours is None:
        raise Problem("invalid", "Enter what the hour meter reads.")
    row = machines.find(session, machine_id, to_change=True)
    if body.corrects:
        machines.correct_meter(session, row, body.hours)
    else:
        machines.read_meter(session, who, row, body.hours, now(), reason=body.meter_reason)
    session.commit()
    return seen(f"/machines/{machine_id}")


@router.post("/{machine_id}/references/{part}")
def keep_reference(
    house: HouseDep,
    session: SessionDep,
    machine_id: MachineId,
    part: PartName,
    who: Writer,
    file: Annotated[UploadFile, File()],
) -> RedirectResponse:
    """Keeps a photo of a part as installed."""
    data = photos.received(house, file.file)
    photo = photos.take(house, session, who, data, "as-installed")
    machines.keep_reference(session, who, machines.find(session, machine_id, to_change=True), part, photo.id)
    session.commit()
    return seen(f"/machines/{machine_id}#installed")


@router.post("/{machine_id}/inspections")
def begin_visit(
    session: SessionDep,
    machine_id: MachineId,
    who: Annotated[Caller, needs("inspections:write")],
    hours: Field = "",
    meter_reason: Field = "",
    notes: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Begins a visit."""
    fields = {"machine": machine_id, "hours": hours, "meter_reason": meter_reason, "notes": notes}
    body = read(InspectionCreate, fields)
    asked = inspecting.Opened(machine_id, hours=body.hours, meter_reason=body.meter_reason, notes=body.notes)
    path = f"/machines/{machine_id}/inspections"
    made = once(session, who, fresh, path, body, lambda: inspecting.begin(session, who, asked).id)
    return seen(f"/inspections/{made}")
