"""The page of how often the photo was right, for everybody who grades."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request, Response

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.trust_contexts import trust_context
from wearvision_api.pages.view import show
from wearvision_api.routes.trust_schemas import EveryWanted, GradeWanted, PartWanted, SinceWanted
from wearvision_api.trust.overview import Asked, alarm, overview

router = APIRouter(prefix="/trust", include_in_schema=False)
Reader = Annotated[Caller, needs("trust:read")]


@router.get("")
def trust_page(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: PartWanted = "",
    since: SinceWanted = "year",
    grade: GradeWanted = "serviceable",
    every: EveryWanted = "month",
) -> Response:
    """How often hand checks bore the photo out, over time, and the drift alarm."""
    asked = Asked(part, since, grade, every)
    context = trust_context(overview(house, session, asked), alarm(house, session), asked, who)
    return show(request, who, "trust.html", context)
