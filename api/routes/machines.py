"""``/machines``: machines, their parts as installed, next service due, history."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from sqlalchemy import select

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.routes import etags
from wearvision_api.routes.schemas import UUID_FORM, Cursor, Limit, PartName, sent
from wearvision_api.routes.visit_schemas import (
    DuePublic,
    HistoryPublic,
    MachineCreate,
    MachinePage,
    MachinePublic,
    MachineUpdate,
    ReferencePublic,
    ReferenceUpdate,
)
from wearvision_api.services import machines
from wearvision_api.store.paging import page
from wearvision_api.store.tables import Machine, now

router = APIRouter(prefix="/machines", tags=["machines"])
MachineId = Annotated[str, Path(pattern=UUID_FORM)]


def public(row: Machine) -> MachinePublic:
    """A machine as it is sent."""
    return MachinePublic(
        id=row.id,
        created_at=row.created_at,
        identifier=row.identifier,
        description=row.description,
        hours=row.hours,
        running_hours=machines.running(row).get(None),
        interval_hours=row.interval_hours,
        interval_days=row.interval_days,
        notes=row.notes,
        references=[
            ReferencePublic(part=one.part, photo=one.photo_id, kept_at=one.kept_at)  # type: ignore[arg-type]
            for one in row.references
        ],
    )


@router.post("", status_code=201, response_model=MachinePublic, summary="Take a machine in")
def create(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    body: MachineCreate,
    who: Annotated[Caller, needs("machines:write")],
) -> Response:
    """Takes a machine in under its owner's identifier, which no other one may have."""
    said = machines.Described(body.identifier, body.description, body.interval_hours, body.interval_days, body.notes)

    def make() -> dict[str, Any]:
        return public(machines.create(house, session, who, said, body.hours, body.id)).plain()

    answer = once.reply(body.model_dump_json(), make)
    return sent(answer, f"/api/v1/machines/{answer.body['id']}")


@router.get("", response_model=MachinePage, summary="Machines, newest first")
def listed(
    session: SessionDep, who: Annotated[Caller, needs("machines:read")], cursor: Cursor = "", limit: Limit = 50
) -> MachinePage:
    """A page of machines."""
    rows, following = page(session, select(Machine), Machine, cursor, limit)
    return MachinePage(items=[public(row) for row in rows], next=following)


@router.get("/{machine_id}", response_model=MachinePublic, summary="One machine")
def read(
    request: Request,
    response: Response,
    session: SessionDep,
    machine_id: MachineId,
    who: Annotated[Caller, needs("machines:read")],
) -> object:
    """A machine with its parts as installed."""
    row = machines.find(session, machine_id)
    etag = etags.tag(row.id, row.version)
    if etags.unchanged(request, etag):
        return etags.not_modified(etag)
    response.headers["ETag"] = etag
    return public(row)


@router.patch("/{machine_id}", response_model=MachinePublic, summary="Change a machine")
def change(
    request: Request,
    response: Response,
    session: SessionDep,
    machine_id: MachineId,
    body: MachineUpdate,
    who: Annotated[Caller, needs("machines:write")],
) -> MachinePublic:
    """Changes what is said of a machine, or records its hour meter. Needs If-Match."""
    row = machines.find(session, machine_id, to_change=True)
    etags.demand_match(request, etags.tag(row.id, row.version), required=True)
    if body.hours is not None and body.corrects:
        machines.correct_meter(session, row, body.hours)
    elif body.hours is not None:
        machines.read_meter(session, who, row, body.hours, now(), reason=body.meter_reason)
    said = machines.Described(body.identifier, body.description, body.interval_hours, body.interval_days, body.notes)
    changed = public(machines.change(session, row, said))
    response.headers["ETag"] = etags.tag(row.id, row.version)
    session.commit()
    return changed


@router.put("/{machine_id}/references/{part}", response_model=MachinePublic, summary="Keep a part's photo as installed")
def keep_reference(
    request: Request,
    response: Response,
    session: SessionDep,
    machine_id: MachineId,
    part: PartName,
    body: ReferenceUpdate,
    who: Annotated[Caller, needs("machines:write")],
) -> MachinePublic:
    """Keeps a photo of a part as installed; later photos of it are graded beside this one."""
    row = machines.find(session, machine_id, to_change=True)
    etags.demand_match(request, etags.tag(row.id, row.version))
    changed = public(machines.keep_reference(session, who, row, part, body.photo))
    response.headers["ETag"] = etags.tag(row.id, row.version)
    session.commit()
    return changed


@router.get("/{machine_id}/due", response_model=DuePublic, summary="Next service due")
def due(session: SessionDep, machine_id: MachineId, who: Annotated[Caller, needs("machines:read")]) -> object:
    """By running hours or by date, whichever comes first."""
    return DuePublic(**machines.due(session, machines.find(session, machine_id)).to_dict())


@router.get("/{machine_id}/history", response_model=HistoryPublic, summary="Wear over running hours")
def history(
    house: HouseDep, session: SessionDep, machine_id: MachineId, who: Annotated[Caller, needs("machines:read")]
) -> object:
    """Each measure over running hours, and when it reaches its limit, or why that cannot be said."""
    row = machines.find(session, machine_id)
    series = machines.history(session, row, house.grader.limits)
    return HistoryPublic.model_validate(
        {
            "machine": row.id,
            "running_hours": machines.running(row).get(None),
            "series": [one.to_dict() for one in series],
        }
    )
