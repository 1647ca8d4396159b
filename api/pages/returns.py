"""Pages of a return: taking it in, the one page on which it is settled, its claim, and what can be done without."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, Path, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from wearvision.return_tag import draw_return_tag
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.pages import units
from wearvision_api.pages.forms import once, read, seen, sent_before
from wearvision_api.pages.return_claims import (
    FIELDS,
    ClaimForm,
    NewReturnContext,
    claim_form,
    first_values,
    said,
)
from wearvision_api.pages.return_contexts import return_context
from wearvision_api.pages.return_reading_contexts import CounterMistake
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.returns import evidence, intake
from wearvision_api.returns.weighing import reckon
from wearvision_api.routes.return_schemas import Key, Reason
from wearvision_api.routes.schemas import UUID_FORM, Body
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import new_id
from wearvision_api.teaching import permission

router = APIRouter(prefix="/returns", include_in_schema=False)
ReturnId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Reader = Annotated[Caller, needs("returns:read")]
Writer = Annotated[Caller, needs("returns:write")]


class Waived(Body):
    """Several things that can be done without for one reason."""

    items: list[Key]
    reason: Reason


async def typed_of(request: Request) -> dict[str, str]:
    """The text fields of a form as they were typed."""
    return {name: value for name, value in (await request.form()).items() if isinstance(value, str)}


Typed = Annotated[dict[str, str], Depends(typed_of)]


def page_of(
    request: Request,
    house: House,
    session: Session,
    who: Caller,
    row: ReturnRow,
    *,
    claim: ClaimForm | None = None,
    mistake: CounterMistake | None = None,
) -> Response:
    """The page of one return.

    Args:
        request: For the units that this browser has chosen.
        house: The running service.
        session: Open.
        who: Sees it.
        row: The return.
        claim: The claim's form with what was refused in it.
        mistake: A reading that was refused.
    """
    context = return_context(house, session, who, row, units.chosen(request), claim=claim, mistake=mistake)
    return show(request, who, "return.html", context, 422 if claim or mistake else 200)


def act(
    house: House,
    session: Session,
    who: Caller,
    return_id: str,
    step: str,
    fresh: str,
    body: Body,
    make: Callable[[ReturnRow], object],
) -> RedirectResponse:
    """Acts once for each form shown, on a return that is held, and leads to the section it belongs to.

    Args:
        house: The running service.
        session: Open; committed.
        who: Acts.
        return_id: Of the return.
        step: Id of the section.
        fresh: The id that the form carries.
        body: What the form says.
        make: Acts.
    """

    def acted() -> str:
        row = intake.find(session, return_id, to_change=True)
        make(row)
        reckon(house, session, row)
        return return_id

    once(session, who, fresh, f"/returns/{return_id}#{step}", body, acted)
    return seen(f"/returns/{return_id}#{step}")


def demand_version(row: ReturnRow, version: int) -> None:
    """Raises Problem where the return is not as the page showed it: nobody decides on what they have not seen."""
    if row.version != version:
        raise Problem(
            "changed", "The return has changed since this page was opened. Go back, reload it, and look again."
        )


@router.get("/new")
def new_form(
    request: Request,
    session: SessionDep,
    who: Writer,
    part: str = "",
    machine: str = "",
    form: str = "",
) -> Response:
    """Asks for the claim.

    Each form has an address of its own, so that whoever goes back to it after the claim was taken in comes to the
    return and takes no second one in.
    """
    if not re.fullmatch(UUID_FORM, form):
        asked = {"part": part, "machine": machine, "form": new_id()}
        return seen(f"/returns/new?{urlencode({name: value for name, value in asked.items() if value})}")
    if made := sent_before(session, who, form):
        return seen(f"/returns/{made}#photos")
    values = first_values(session, who, part, machine[:80])
    return show(request, who, "return_new.html", NewReturnContext(claim_form(session, values, fresh=form)))


@router.post("/new")
def create(request: Request, session: SessionDep, who: Writer, typed: Typed) -> Response:
    """Takes the claim in and gives it its number."""
    fields = {name: typed.get(name, "") for name in FIELDS}
    fresh = typed.get("fresh", "")
    try:
        body = said(session, fields)
        made = once(
            session,
            who,
            fresh,
            "/returns/new",
            body,
            lambda: intake.open_return(session, who, intake.given(body.model_dump(exclude_unset=True))).id,
        )
    except Problem as problem:
        if problem.code != "invalid":
            raise
        session.rollback()
        context = NewReturnContext(claim_form(session, fields, problem.detail, fresh))
        return show(request, who, "return_new.html", context, 422)
    return seen(f"/returns/{made}#photos")


@router.get("/{return_id}")
def show_one(request: Request, house: HouseDep, session: SessionDep, return_id: ReturnId, who: Reader) -> Response:
    """One return."""
    return page_of(request, house, session, who, intake.find(session, return_id))


@router.get("/{return_id}/tag.pdf")
def tag(session: SessionDep, return_id: ReturnId, who: Reader) -> Response:
    """The return tag, to print at true size and lay into every photo."""
    row = intake.find(session, return_id)
    headers = {"Content-Disposition": f'inline; filename="tag-{row.number}.pdf"'}
    return Response(draw_return_tag(row.number), media_type="application/pdf", headers=headers)


@router.post("/{return_id}")
def change(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Writer,
    typed: Typed,
) -> Response:
    """Corrects the claim."""
    fields = {name: typed.get(name, "") for name in FIELDS}
    try:
        body = said(session, fields)
        row = intake.find(session, return_id, to_change=True)
        demand_version(row, int(typed.get("version", "0")) if typed.get("version", "0").isdecimal() else 0)
        permission.hold_examples(session, row)
        intake.change(session, who, row, intake.given(body.model_dump(exclude_unset=True)))
        permission.follow_return(house, session, who, row)
        evidence.ask_again(house, session, who, row)
        reckon(house, session, row)
        session.commit()
    except Problem as problem:
        if problem.code != "invalid":
            raise
        session.rollback()
        refused = claim_form(session, fields, problem.detail)
        return page_of(request, house, session, who, intake.find(session, return_id), claim=refused)
    return seen(f"/returns/{return_id}#claim")


@router.post("/{return_id}/waivers")
def waive(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Writer,
    item: Annotated[list[str], Form(default_factory=list)],
    reason: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """States why a decision can be made without some of what is missing."""
    if not item:
        raise Problem("invalid", "Tick what can be done without.")
    body = read(Waived, {"items": item, "reason": reason})

    def make(row: ReturnRow) -> None:
        for one in dict.fromkeys(body.items):
            evidence.waive(session, who, row, one, body.reason)

    return act(house, session, who, return_id, "missing", fresh, body, make)
