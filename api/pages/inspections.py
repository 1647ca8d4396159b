"""Pages of a visit: parts, readings, settings, causes, parts used, closing; and its sheet to print."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.view import show
from wearvision_api.pages.visit_contexts import SheetContext, inspection_context
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import UUID_FORM, Body
from wearvision_api.routes.visit_schemas import (
    CauseCreate,
    CloseCreate,
    InspectionUpdate,
    PartUsedCreate,
    SettingCreate,
)
from wearvision_api.services import inspecting
from wearvision_api.services.sheet import sheet_of

router = APIRouter(prefix="/inspections", include_in_schema=False)
InspectionId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Reader = Annotated[Caller, needs("inspections:read")]
Writer = Annotated[Caller, needs("inspections:write")]


@router.get("/{inspection_id}")
def show_one(
    request: Request, house: HouseDep, session: SessionDep, inspection_id: InspectionId, who: Reader
) -> Response:
    """One visit."""
    row = inspecting.find(session, inspection_id)
    context = inspection_context(row, sheet_of(house, session, row), may_write=who.may("inspections:write"))
    return show(request, who, "inspection.html", context)


@router.get("/{inspection_id}/sheet")
def sheet(request: Request, house: HouseDep, session: SessionDep, inspection_id: InspectionId, who: Reader) -> Response:
    """The sheet, to print."""
    row = inspecting.find(session, inspection_id)
    context = SheetContext(
        sheet_of(house, session, row), f"/api/v1/inspections/{row.id}/sheet.pdf", f"/inspections/{row.id}"
    )
    return show(request, who, "sheet.html", context)


@router.post("/{inspection_id}")
def change(
    session: SessionDep,
    inspection_id: InspectionId,
    who: Writer,
    hours: Field = "",
    meter_reason: Field = "",
    notes: Annotated[str | None, Form()] = None,
) -> RedirectResponse:
    """Corrects hour meter or notes."""
    texts = {} if notes is None else {"notes": notes}
    body = read(InspectionUpdate, {"hours": hours, "meter_reason": meter_reason}, texts)
    row = inspecting.find(session, inspection_id, to_change=True)
    changed = row.notes != body.notes if body.notes is not None else False
    inspecting.change(
        session,
        who,
        row,
        hours=body.hours,
        meter_reason=body.meter_reason,
        notes=body.notes if changed else None,
    )
    session.commit()
    return seen(f"/inspections/{inspection_id}")


def _add(session: Session, who: Caller, row_id: str, fresh: str, kind: inspecting.Kind, body: Body) -> RedirectResponse:
    anchor = {"setting": "settings", "cause": "causes", "part": "parts-used"}[kind]

    def make() -> str:
        row = inspecting.find(session, row_id, to_change=True)
        plain: dict[str, Any] = body.model_dump(mode="json", exclude={"id"})
        return inspecting.add_line(session, who, row, kind, plain).id

    once(session, who, fresh, f"/inspections/{row_id}/{anchor}", body, make)
    return seen(f"/inspections/{row_id}#{anchor}")


@router.post("/{inspection_id}/settings")
def add_setting(
    session: SessionDep,
    inspection_id: InspectionId,
    who: Writer,
    name: Field = "",
    value: Field = "",
    unit: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Adds a setting measured."""
    body = read(SettingCreate, {"name": name, "value": value.replace(",", "."), "unit": unit})
    return _add(session, who, inspection_id, fresh, "setting", body)


@router.post("/{inspection_id}/causes")
def add_cause(
    session: SessionDep,
    inspection_id: InspectionId,
    who: Writer,
    cause: Field = "",
    finding: Field = "",
    note: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Says what looking at a cause came to."""
    body = read(CauseCreate, {"cause": cause, "finding": finding, "note": note})
    return _add(session, who, inspection_id, fresh, "cause", body)


@router.post("/{inspection_id}/parts-used")
def add_part(
    session: SessionDep,
    inspection_id: InspectionId,
    who: Writer,
    description: Field = "",
    quantity: Field = "",
    part: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Adds a part used."""
    body = read(PartUsedCreate, {"description": description, "quantity": quantity, "part": part})
    return _add(session, who, inspection_id, fresh, "part", body)


@router.post("/{inspection_id}/lines/{line_id}/strike")
def strike_line(
    session: SessionDep, inspection_id: InspectionId, line_id: Annotated[str, Path(pattern=UUID_FORM)], who: Writer
) -> RedirectResponse:
    """Takes a line out again."""
    inspecting.strike_line(session, inspecting.find(session, inspection_id, to_change=True), line_id)
    session.commit()
    return seen(f"/inspections/{inspection_id}")


@router.post("/{inspection_id}/close")
def close(
    session: SessionDep, inspection_id: InspectionId, who: Writer, kind: Field = "", fresh: Field = ""
) -> RedirectResponse:
    """Closes the visit."""
    if kind not in ("service", "visit"):
        raise Problem("invalid", "Say whether this was the service or another visit.")
    body = CloseCreate(service=kind == "service")

    def make() -> str:
        row = inspecting.find(session, inspection_id, to_change=True)
        return inspecting.close(session, row, service=body.service).id

    once(session, who, fresh, f"/inspections/{inspection_id}/close", body, make)
    return seen(f"/inspections/{inspection_id}")
