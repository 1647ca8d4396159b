"""``/grades``: grade photos, enter readings, record what followed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from sqlalchemy.orm import Session

from wearvision.standard.checks import load_checks
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.problems import Problem
from wearvision_api.routes import etags
from wearvision_api.routes.schemas import (
    UUID_FORM,
    Cursor,
    GradeCreate,
    GradePage,
    GradePublic,
    Limit,
    OutcomeUpdate,
    OverrideUpdate,
    ReadingCreate,
    ReadingPublic,
    WantedPublic,
    WipingUpdate,
    sent,
)
from wearvision_api.services import grading
from wearvision_api.store.paging import page
from wearvision_api.store.tables import GradeRow
from wearvision_api.trust import asking

router = APIRouter(prefix="/grades", tags=["grades"])
GradeId = Annotated[str, Path(pattern=UUID_FORM)]


def public(row: GradeRow) -> GradePublic:
    """A grade as it is sent."""
    wanted = asking.wanted_of(row, load_checks())
    return GradePublic(
        id=row.id,
        created_at=row.created_at,
        by=row.owner.name,
        photos=[one.photo_id for one in row.photos],
        reference=row.reference_id,
        inspection=row.inspection_id,
        part=row.part,  # type: ignore[arg-type]  # pydantic checks it
        grade=row.grade,  # type: ignore[arg-type]
        standing=grading.standing(row),
        holds=grading.holds(row),
        report=row.report,
        readings=[
            ReadingPublic(
                id=one.id,
                check=one.check,
                value=one.value["value"],
                unit=one.value["unit"],
                says=one.finding["says"],
                text=one.finding["text"],
                entered=one.finding["entered"],
                created_at=one.created_at,
            )
            for one in row.readings
        ],
        verdict=row.verdict,
        wiping=row.wiping,
        override=row.override,
        outcome=row.outcome,
        asked=WantedPublic.model_validate(wanted) if wanted is not None else None,
        pictures=len(row.pictures),
    )


@router.post("", status_code=201, response_model=GradePublic, summary="Grade photos of one part")
def create(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    body: GradeCreate,
    who: Annotated[Caller, needs("grades:write")],
) -> Response:
    """Measures the wear and says the possible grades, with the hand checks that confirm them."""
    asked = grading.Asked(tuple(body.photos), body.part, body.reference, body.inspection, body.id)
    answer = once.reply(body.model_dump_json(), lambda: public(grading.create(house, session, who, asked)).plain())
    return sent(answer, f"/api/v1/grades/{answer.body['id']}")


@router.get("", response_model=GradePage, summary="Grades, newest first")
def listed(
    session: SessionDep, who: Annotated[Caller, needs("grades:read")], cursor: Cursor = "", limit: Limit = 50
) -> GradePage:
    """A page of the grades that the caller may see."""
    rows, following = page(session, grading.visible(who), GradeRow, cursor, limit)
    return GradePage(items=[public(row) for row in rows], next=following)


@router.get("/{grade_id}", response_model=GradePublic, summary="One grade")
def read(
    request: Request,
    response: Response,
    session: SessionDep,
    grade_id: GradeId,
    who: Annotated[Caller, needs("grades:read")],
) -> object:
    """A grade with its report, readings and what followed."""
    row = grading.find(session, who, grade_id)
    etag = etags.tag(row.id, row.version)
    if etags.unchanged(request, etag):
        return etags.not_modified(etag)
    response.headers["ETag"] = etag
    return public(row)


@router.get(
    "/{grade_id}/pictures/{number}",
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}}},
    summary="What was judged, as a picture",
)
def picture(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    grade_id: GradeId,
    number: Annotated[int, Path(ge=0, le=64)],
    who: Annotated[Caller, needs("grades:read")],
    outlines: Annotated[bool, Query(description="Draw the regions' outlines.")] = True,
) -> Response:
    """The square of the photo that was judged, 720 by 720 pixels."""
    row = grading.find(session, who, grade_id)
    if number >= len(row.pictures):
        raise Problem("not-found", f"There is no picture {number}; there are {len(row.pictures)}.")
    found = row.pictures[number]
    if "erased" in found:
        raise Problem("gone", f"The photo and its pictures were erased on {found['erased'][:10]}.")
    name = found["outlined" if outlines else "plain"]
    etag = f'"{name[:16]}"'
    if etags.unchanged(request, etag):
        return etags.not_modified(etag)
    headers = {"ETag": etag, "Cache-Control": "private, no-cache"}  # see routes/photos.py
    return Response(house.blobs.get(name), media_type="image/jpeg", headers=headers)


@router.post("/{grade_id}/readings", status_code=201, response_model=GradePublic, summary="Enter a reading")
def add_reading(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    grade_id: GradeId,
    body: ReadingCreate,
    who: Annotated[Caller, needs("grades:write")],
) -> Response:
    """Takes a hand check's reading and answers with the verdict: confirmed, overridden or contradicted."""

    def make() -> dict[str, Any]:
        row = grading.find(session, who, grade_id)
        return public(grading.add_reading(house, session, who, row, body.check, body.value, body.unit, body.id)).plain()

    return sent(once.reply(body.model_dump_json(), make))


def _change(
    request: Request, session: Session, who: Caller, grade_id: str, change: Callable[[GradeRow], GradeRow]
) -> GradePublic:
    row = grading.find(session, who, grade_id)
    etags.demand_match(request, etags.tag(row.id, row.version))
    changed = public(change(row))
    session.commit()
    return changed


@router.put("/{grade_id}/override", response_model=GradePublic, summary="Grade by eye")
def override(
    request: Request,
    session: SessionDep,
    grade_id: GradeId,
    body: OverrideUpdate,
    who: Annotated[Caller, needs("grades:write")],
) -> GradePublic:
    """Puts a person's eye above photo and readings, with the reason."""
    return _change(
        request, session, who, grade_id, lambda row: grading.override(session, who, row, body.grade, body.reason)
    )


@router.delete("/{grade_id}/override", response_model=GradePublic, summary="Take the grade by eye back")
def take_back_override(
    request: Request,
    session: SessionDep,
    grade_id: GradeId,
    who: Annotated[Caller, needs("grades:write")],
) -> GradePublic:
    """Lets photo and readings count again; the record keeps both steps."""
    return _change(request, session, who, grade_id, lambda row: grading.take_back_override(session, who, row))


@router.put("/{grade_id}/outcome", response_model=GradePublic, summary="What was done")
def outcome(
    request: Request,
    session: SessionDep,
    grade_id: GradeId,
    body: OutcomeUpdate,
    who: Annotated[Caller, needs("grades:write")],
) -> GradePublic:
    """Records whether the part was refitted, cleaned and refitted, or replaced."""
    return _change(
        request, session, who, grade_id, lambda row: grading.outcome(session, who, row, body.done, body.note)
    )


@router.put("/{grade_id}/wiping", response_model=GradePublic, summary="The photo after wiping")
def wiping(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    grade_id: GradeId,
    body: WipingUpdate,
    who: Annotated[Caller, needs("grades:write")],
) -> GradePublic:
    """Tells film, which wiped off, from clouding, which stayed."""
    return _change(request, session, who, grade_id, lambda row: grading.wipe(house, session, who, row, body.after))
