"""``/inspections``: visits with their lines, sheet and exports."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.routes import etags
from wearvision_api.routes.downloads import download
from wearvision_api.routes.grades import public as grade_public
from wearvision_api.routes.machines import public as machine_public
from wearvision_api.routes.schemas import UUID_FORM, Body, Cursor, Limit, PhotoPublic, RecordId, sent
from wearvision_api.routes.starts import public as walk_public
from wearvision_api.routes.visit_schemas import (
    CauseCreate,
    CausePublic,
    CloseCreate,
    DuePublic,
    InspectionCreate,
    InspectionExport,
    InspectionPage,
    InspectionPublic,
    InspectionUpdate,
    PartUsedCreate,
    PartUsedPublic,
    SettingCreate,
    SettingPublic,
)
from wearvision_api.services import inspecting, machines, walking
from wearvision_api.services.export import csv_of
from wearvision_api.services.sheet import sheet_of
from wearvision_api.services.sheet_pdf import pdf
from wearvision_api.store.once import Once
from wearvision_api.store.paging import page
from wearvision_api.store.tables import GradeRow, Inspection, PhotoRow, now

router = APIRouter(prefix="/inspections", tags=["inspections"])
InspectionId = Annotated[str, Path(pattern=UUID_FORM)]
Writer = Annotated[Caller, needs("inspections:write")]
Reader = Annotated[Caller, needs("inspections:read")]


def public(row: Inspection) -> InspectionPublic:
    """A visit as it is sent."""
    lines = {
        kind: [{"id": one.id, "created_at": one.created_at, **one.body} for one in row.entries if one.kind == kind]
        for kind in ("setting", "cause", "part")
    }
    return InspectionPublic(
        id=row.id,
        created_at=row.created_at,
        by=row.owner.name,
        machine=row.machine_id,
        begun_at=row.begun_at,
        closed_at=row.closed_at,
        hours=row.hours,
        serviced=row.serviced,
        notes=row.notes,
        grades=[one.id for one in row.grades],
        settings=[SettingPublic(**one) for one in lines["setting"]],
        causes=[CausePublic(**one) for one in lines["cause"]],
        parts_used=[PartUsedPublic(**one) for one in lines["part"]],
    )


def _etag(row: Inspection) -> str:
    """Of a visit's answer; a grade that names the visit is in it without being a change of the visit's own row."""
    return f'"{row.id[:8]}-{row.version}-{len(row.grades)}"'


@router.post("", status_code=201, response_model=InspectionPublic, summary="Open a visit")
def begin(session: SessionDep, once: OnceDep, body: InspectionCreate, who: Writer) -> Response:
    """Opens a visit to a machine; grades name it as their ``inspection``."""
    asked = inspecting.Opened(body.machine, body.begun_at, body.hours, body.meter_reason, body.notes, body.id)
    answer = once.reply(body.model_dump_json(), lambda: public(inspecting.begin(session, who, asked)).plain())
    return sent(answer, f"/api/v1/inspections/{answer.body['id']}")


@router.get("", response_model=InspectionPage, summary="Inspections, newest first")
def listed(
    session: SessionDep,
    who: Reader,
    machine: Annotated[RecordId | None, Query(description="Of one machine only.")] = None,
    open: Annotated[bool, Query(description="Those not closed yet.")] = False,
    cursor: Cursor = "",
    limit: Limit = 50,
) -> InspectionPage:
    """A page of inspections."""
    rows, following = page(session, inspecting.listed(machine, open_only=open), Inspection, cursor, limit)
    return InspectionPage(items=[public(row) for row in rows], next=following)


@router.get("/{inspection_id}", response_model=InspectionPublic, summary="One inspection")
def read(request: Request, response: Response, session: SessionDep, inspection_id: InspectionId, who: Reader) -> object:
    """A visit with its lines and the ids of its grades."""
    row = inspecting.find(session, inspection_id)
    etag = _etag(row)
    if etags.unchanged(request, etag):
        return etags.not_modified(etag)
    response.headers["ETag"] = etag
    return public(row)


@router.patch("/{inspection_id}", response_model=InspectionPublic, summary="Correct an inspection")
def change(
    request: Request,
    response: Response,
    session: SessionDep,
    inspection_id: InspectionId,
    body: InspectionUpdate,
    who: Writer,
) -> InspectionPublic:
    """Corrects hour meter or notes. Needs If-Match."""
    row = inspecting.find(session, inspection_id, to_change=True)
    etags.demand_match(request, _etag(row), required=True)
    row = inspecting.change(session, who, row, hours=body.hours, meter_reason=body.meter_reason, notes=body.notes)
    changed = public(row)
    response.headers["ETag"] = _etag(row)
    session.commit()
    return changed


def _answer(
    session: Session, once: Once, inspection_id: str, body: Body, act: Callable[[Inspection], Inspection]
) -> Response:
    """Once for each key: changes a visit and answers with it."""

    def make() -> dict[str, Any]:
        return public(act(inspecting.find(session, inspection_id, to_change=True))).plain()

    return sent(once.reply(body.model_dump_json(), make))


def _line(session: Session, once: Once, who: Caller, inspection_id: str, kind: inspecting.Kind, body: Any) -> Response:
    plain = body.model_dump(mode="json", exclude={"id"})
    return _answer(
        session,
        once,
        inspection_id,
        body,
        lambda row: inspecting.add_line(session, who, row, kind, plain, body.id),
    )


@router.post(
    "/{inspection_id}/settings", status_code=201, response_model=InspectionPublic, summary="Enter a setting measured"
)
def add_setting(
    session: SessionDep, once: OnceDep, inspection_id: InspectionId, body: SettingCreate, who: Writer
) -> Response:
    """Adds a setting, such as a gap, a pressure or a draft."""
    return _line(session, once, who, inspection_id, "setting", body)


@router.post("/{inspection_id}/causes", status_code=201, response_model=InspectionPublic, summary="Rule a cause out")
def add_cause(
    session: SessionDep, once: OnceDep, inspection_id: InspectionId, body: CauseCreate, who: Writer
) -> Response:
    """Says what looking at a cause came to; the newest word on a cause counts."""
    return _line(session, once, who, inspection_id, "cause", body)


@router.post(
    "/{inspection_id}/parts-used", status_code=201, response_model=InspectionPublic, summary="Enter a part used"
)
def add_part(
    session: SessionDep, once: OnceDep, inspection_id: InspectionId, body: PartUsedCreate, who: Writer
) -> Response:
    """Adds a part that was fitted."""
    return _line(session, once, who, inspection_id, "part", body)


@router.delete("/{inspection_id}/lines/{line_id}", response_model=InspectionPublic, summary="Strike a line")
def strike_line(
    session: SessionDep,
    inspection_id: InspectionId,
    line_id: Annotated[str, Path(pattern=UUID_FORM)],
    who: Writer,
) -> InspectionPublic:
    """Takes a setting, cause or part out again that was entered by mistake."""
    row = inspecting.find(session, inspection_id, to_change=True)
    left = public(inspecting.strike_line(session, row, line_id))
    session.commit()
    return left


@router.post("/{inspection_id}/close", status_code=201, response_model=InspectionPublic, summary="Close an inspection")
def close(session: SessionDep, once: OnceDep, inspection_id: InspectionId, body: CloseCreate, who: Writer) -> Response:
    """Ends a visit. What is closed stays as it is, but for a mistyped hour meter."""
    return _answer(session, once, inspection_id, body, lambda row: inspecting.close(session, row, service=body.service))


@router.get(
    "/{inspection_id}/sheet.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
    summary="The sheet",
)
def sheet(house: HouseDep, session: SessionDep, inspection_id: InspectionId, who: Reader) -> Response:
    """The visit on paper: parts with pictures, measures, readings, settings, causes, parts used, next service."""
    found = sheet_of(house, session, inspecting.find(session, inspection_id))
    return download(pdf(found, house.blobs.get), "application/pdf", f"inspection-{inspection_id[:8]}.pdf")


@router.get(
    "/{inspection_id}/export.csv",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}}},
    summary="As a table",
)
def export_csv(session: SessionDep, inspection_id: InspectionId, who: Reader) -> Response:
    """One line a record, for a spreadsheet (RFC 4180); no cell is taken for a formula."""
    text = csv_of(inspecting.find(session, inspection_id))
    return download(text.encode(), "text/csv; charset=utf-8; header=present", f"inspection-{inspection_id[:8]}.csv")


@router.get("/{inspection_id}/export.json", response_model=InspectionExport, summary="The whole record")
def export_json(session: SessionDep, inspection_id: InspectionId, who: Reader) -> InspectionExport:
    """Everything recorded of a visit, in one document that a program can read again."""
    row = inspecting.find(session, inspection_id)
    after = [session.get_one(GradeRow, one.after_id) for one in row.grades if one.after_id]
    grades = [*row.grades, *(one for one in after if one not in row.grades)]
    kept = {one.photo_id: one.photo for grade in grades for one in grade.photos}
    for name in [one.reference_id for one in grades] + [one.photo_id for one in row.machine.references]:
        if name is not None:
            kept[name] = session.get_one(PhotoRow, name)
    return InspectionExport(
        exported_at=now(),
        machine=machine_public(row.machine),
        due=DuePublic(**machines.due(session, row.machine).to_dict()),
        inspection=public(row),
        grades=[grade_public(one) for one in grades],
        walks=[walk_public(one) for one in walking.of_inspection(session, row.id)],
        photos=[PhotoPublic.model_validate(one) for one in kept.values()],
    )
