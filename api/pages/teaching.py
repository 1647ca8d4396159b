"""Pages of teaching: how far it has come, the examples, and those over which two people differ."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, BackgroundTasks, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.teaching_contexts import (
    FILTERS,
    disputes_context,
    examples_context,
    overview_context,
    withdrawn_context,
)
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.returns import intake
from wearvision_api.routes.example_schemas import LeaveOut, PermissionCreate, Withdrawal
from wearvision_api.routes.schemas import UUID_FORM, Body, Cursor
from wearvision_api.services import grading
from wearvision_api.teaching import examples, opinions, permission

router = APIRouter(include_in_schema=False)
ExampleId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Reader = Annotated[Caller, needs("teaching:read")]
Labeller = Annotated[Caller, needs("labels:write")]
Teacher = Annotated[Caller, needs("teaching:write")]
Giver = Annotated[Caller, needs("photos:permit")]


class _Nothing(Body):
    """A form that says nothing but that its button was pressed."""


@router.get("/teaching")
def overview(request: Request, session: SessionDep, who: Reader) -> Response:
    """How far teaching has come, and what to do next."""
    return show(request, who, "teaching.html", overview_context(session, who))


@router.get("/teaching/examples")
def listed(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    state: Annotated[str, Query(max_length=12)] = "",
    cursor: Cursor = "",
) -> Response:
    """The examples, newest first."""
    if state not in FILTERS:
        raise Problem("invalid", f"There is no state {state!r}.")
    return show(request, who, "teaching_examples.html", examples_context(house, session, who, state, cursor))


@router.post("/teaching/examples")
def take_in(
    house: HouseDep, session: SessionDep, later: BackgroundTasks, who: Teacher, fresh: Field = ""
) -> RedirectResponse:
    """Takes in all photos with permission."""
    once(session, who, fresh, "/teaching/examples", _Nothing(), lambda: str(len(examples.take_in(house, session, who))))
    later.add_task(opinions.fill, house)
    return seen("/teaching/examples")


@router.post("/teaching/examples/{example_id}/leave-out")
def leave_out(session: SessionDep, example_id: ExampleId, who: Labeller, reason: Field = "") -> RedirectResponse:
    """Leaves an example out, with the reason."""
    body = read(LeaveOut, {"reason": reason})
    examples.leave_out(session, who, examples.find(session, example_id, to_change=True), body.reason)
    session.commit()
    return seen("/teaching/examples?state=left+out")


@router.post("/teaching/examples/{example_id}/put-back")
def put_back(house: HouseDep, session: SessionDep, example_id: ExampleId, who: Teacher) -> RedirectResponse:
    """Puts one back that was left out."""
    permission.put_back(house, session, who, examples.find(session, example_id, to_change=True))
    session.commit()
    return seen("/teaching/examples")


@router.get("/teaching/disputes")
def disputes(request: Request, house: HouseDep, session: SessionDep, who: Reader) -> Response:
    """Examples over which two people differ, side by side."""
    return show(request, who, "teaching_disputes.html", disputes_context(house, session, who))


@router.post("/teaching/permissions")
def permit(
    house: HouseDep,
    session: SessionDep,
    later: BackgroundTasks,
    who: Giver,
    of: Annotated[Literal["inspections", "returns"], Form()],
    returns: Field = "",
    ground: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Lets the photos of all inspections, or of named returns, be used to teach."""
    named: dict[str, Any] = (
        {"inspections": "all"} if of == "inspections" else {"returns": returns.replace(",", " ").split()}
    )
    body = read(PermissionCreate, named | {"ground": ground})
    if of == "returns" and not body.returns:
        raise Problem("invalid", "Name the returns: their numbers, with spaces between. Go back and put it right.")

    def make() -> str:
        photos = (
            permission.photos_of_inspections(session, who, None)
            if of == "inspections"
            else permission.photos_of_returns(session, who, body.returns)
        )
        return str(permission.permit(house, session, who, photos, body.ground).photos)

    once(session, who, fresh, "/teaching/permissions", body, make)
    later.add_task(opinions.fill, house)
    return seen("/teaching/examples")


@router.post("/returns/{return_id}/permission/withdrawal")
def withdraw_return(
    request: Request, session: SessionDep, return_id: ExampleId, who: Giver, reason: Field = ""
) -> Response:
    """Takes back what the claimant had agreed to, and shows which sets and models have seen the photos."""
    body = read(Withdrawal, {"reason": reason})
    permission.demand_desk(who)
    row = intake.find(session, return_id, to_change=True)
    found = permission.take_back_of_return(session, who, row, body.reason)
    session.commit()
    return show(request, who, "teaching_withdrawn.html", withdrawn_context(found, f"/returns/{return_id}"))


@router.post("/grades/{grade_id}/permission")
def permit_grade(
    house: HouseDep, session: SessionDep, later: BackgroundTasks, grade_id: ExampleId, who: Giver
) -> RedirectResponse:
    """Lets the photos of a grade be used to teach."""
    photos = permission.photos_of_grade(who, grading.find(session, who, grade_id))
    permission.permit(house, session, who, photos, "own part")
    session.commit()
    later.add_task(opinions.fill, house)
    return seen(f"/grades/{grade_id}#teach")


@router.post("/grades/{grade_id}/permission/withdrawal")
def withdraw_grade(
    request: Request, session: SessionDep, grade_id: ExampleId, who: Giver, reason: Field = ""
) -> Response:
    """Takes the permission back, and shows which sets and models have seen the photos."""
    body = read(Withdrawal, {"reason": reason})
    photos = permission.photos_of_grade(who, grading.find(session, who, grade_id))
    found = permission.withdraw(session, who, photos, body.reason)
    session.commit()
    return show(request, who, "teaching_withdrawn.html", withdrawn_context(found, f"/grades/{grade_id}"))
