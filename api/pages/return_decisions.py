"""Forms by which people decide: a decision, the second person's word, an objection, and who hears it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import read
from wearvision_api.pages.returns import Field, ReturnId, Writer, act, demand_version
from wearvision_api.problems import Problem
from wearvision_api.returns import deciding
from wearvision_api.routes.return_schemas import DecideCreate, ObjectionCreate, SignCreate
from wearvision_api.routes.schemas import Body
from wearvision_api.store.return_tables import ReturnRow

router = APIRouter(prefix="/returns", include_in_schema=False)
Decider = Annotated[Caller, needs("returns:decide")]
Version = Annotated[int, Form()]


@router.post("/{return_id}/decisions")
def decide(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Decider,
    version: Version,
    outcome: Field = "",
    reason: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Decides on what the page showed."""
    body = read(DecideCreate, {"outcome": outcome, "reason": reason})

    def make(row: ReturnRow) -> None:
        demand_version(row, version)
        deciding.decide(house, session, who, row, body.outcome, body.reason)

    return act(house, session, who, return_id, "decision", fresh, body, make)


@router.post("/{return_id}/signatures")
def sign(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Decider,
    version: Version,
    word: Field = "",
    reason: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """The second person agrees or does not."""
    if word not in ("agree", "not agree"):
        raise Problem("invalid", "Say whether you agree with the decision.")
    body = read(SignCreate, {"agrees": word == "agree", "reason": reason})

    def make(row: ReturnRow) -> None:
        demand_version(row, version)
        deciding.sign(session, who, row, agrees=body.agrees, reason=body.reason)

    return act(house, session, who, return_id, "decision", fresh, body, make)


@router.post("/{return_id}/objections")
def object_to(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Writer,
    text: Field = "",
    received_on: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Records that the claimant does not agree."""
    body = read(ObjectionCreate, {"text": text, "received_on": received_on})
    return act(
        house,
        session,
        who,
        return_id,
        "decision",
        fresh,
        body,
        lambda row: deciding.object_to(session, who, row, body.text, body.received_on),
    )


@router.post("/{return_id}/hearing")
def take_up(
    house: HouseDep, session: SessionDep, return_id: ReturnId, who: Decider, fresh: Field = ""
) -> RedirectResponse:
    """Opens the return again to hear an objection."""
    return act(
        house, session, who, return_id, "decision", fresh, Body(), lambda row: deciding.take_up(session, who, row)
    )
