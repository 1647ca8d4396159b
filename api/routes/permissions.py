"""Permission to teach: given and withdrawn for one's own grade, or by an administrator for inspections and returns."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Path, Response

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.problems import Problem
from wearvision_api.returns import intake
from wearvision_api.routes.example_schemas import (
    GradePermission,
    PermissionCreate,
    PermissionPublic,
    PhotosWithdrawal,
    Withdrawal,
    WithdrawnPublic,
)
from wearvision_api.routes.schemas import UUID_FORM, sent
from wearvision_api.services import grading
from wearvision_api.teaching import opinions, permission

router = APIRouter(tags=["teaching"])
GradeId = Annotated[str, Path(pattern=UUID_FORM)]
Giver = Annotated[Caller, needs("photos:permit")]


def withdrawn_public(found: permission.Withdrawn) -> WithdrawnPublic:
    """What was withdrawn, as it is sent."""
    return WithdrawnPublic(
        photos=found.photos,
        left_out=list(found.left_out),
        sets=list(found.seen.sets),
        models=list(found.seen.models),
        say=found.seen.words,
    )


@router.post(
    "/grades/{grade_id}/permission",
    status_code=201,
    response_model=PermissionPublic,
    summary="Let a grade's photos teach",
)
def permit_grade(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    later: BackgroundTasks,
    grade_id: GradeId,
    body: GradePermission,
    who: Giver,
) -> Response:
    """By whoever made the grade; the photos become examples at once."""

    def make() -> dict[str, Any]:
        photos = permission.photos_of_grade(who, grading.find(session, who, grade_id))
        return _public(permission.permit(house, session, who, photos, body.ground))

    later.add_task(opinions.fill, house)
    return sent(once.reply(body.model_dump_json(), make))


@router.post(
    "/grades/{grade_id}/permission/withdrawal", response_model=WithdrawnPublic, summary="Take a grade's permission back"
)
def withdraw_grade(session: SessionDep, grade_id: GradeId, body: Withdrawal, who: Giver) -> WithdrawnPublic:
    """The photos are left out of future sets; the answer says which sets and models have seen them."""
    photos = permission.photos_of_grade(who, grading.find(session, who, grade_id))
    found = permission.withdraw(session, who, photos, body.reason)
    session.commit()
    return withdrawn_public(found)


@router.post(
    "/returns/{return_id}/permission/withdrawal",
    response_model=WithdrawnPublic,
    summary="Take a return's permission back",
)
def withdraw_return(session: SessionDep, return_id: GradeId, body: Withdrawal, who: Giver) -> WithdrawnPublic:
    """What the claimant had agreed to, also once the return is decided."""
    permission.demand_desk(who)
    found = permission.take_back_of_return(session, who, intake.find(session, return_id, to_change=True), body.reason)
    session.commit()
    return withdrawn_public(found)


@router.post("/permissions", status_code=201, response_model=PermissionPublic, summary="Let photos of many teach")
def permit_many(
    house: HouseDep, session: SessionDep, once: OnceDep, later: BackgroundTasks, body: PermissionCreate, who: Giver
) -> Response:
    """All photos of the own company's inspections, or of named returns, with a written ground; by an administrator."""
    if not body.inspections and not body.returns:
        raise Problem("invalid", "Name inspections or returns.")

    def make() -> dict[str, Any]:
        photos: list[str] = []
        if body.inspections:
            named = None if body.inspections == "all" else list(body.inspections)
            photos += permission.photos_of_inspections(session, who, named)
        if body.returns:
            photos += permission.photos_of_returns(session, who, body.returns)
        return _public(permission.permit(house, session, who, photos, body.ground))

    later.add_task(opinions.fill, house)
    return sent(once.reply(body.model_dump_json(), make))


@router.post("/permissions/withdrawal", response_model=WithdrawnPublic, summary="Take permission back for photos")
def withdraw_many(session: SessionDep, body: PhotosWithdrawal, who: Giver) -> WithdrawnPublic:
    """By an administrator; the answer says which sets and models have seen the photos."""
    if who.role != "administrator":
        raise Problem("not-allowed", "Only an administrator can take back permission for the photos of others.")
    found = permission.withdraw(session, who, body.photos, body.reason)
    session.commit()
    return withdrawn_public(found)


def _public(found: permission.Permitted) -> dict[str, Any]:
    return PermissionPublic(photos=found.photos, examples=list(found.examples)).plain()
