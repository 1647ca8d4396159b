"""``/trust``: how often the photo was right, from the hand checks that came back; whether photos have changed."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Response

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.routes.downloads import download
from wearvision_api.routes.trust_schemas import (
    DriftPublic,
    EveryWanted,
    GradeWanted,
    LookPublic,
    PartWanted,
    SinceWanted,
    TrustPublic,
)
from wearvision_api.trust import drift, overview
from wearvision_api.trust.overview import Asked

router = APIRouter(prefix="/trust", tags=["trust"])
Reader = Annotated[Caller, needs("trust:read")]


@router.get("", response_model=TrustPublic, summary="How often the photo was right")
def read(
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: PartWanted = "",
    since: SinceWanted = "year",
    grade: GradeWanted = "serviceable",
    every: EveryWanted = "month",
) -> TrustPublic:
    """Shares that hand checks bore out, weighted by the chance of being asked for, with intervals and over time."""
    found = overview.overview(house, session, Asked(part, since, grade, every))
    totals = [{"grade": one, "share": asdict(share)} for one, share in found.totals]
    return TrustPublic.model_validate(asdict(found) | {"totals": totals})


@router.get("/drift", response_model=DriftPublic, summary="Have photos or checks changed?")
def changed(house: HouseDep, session: SessionDep, who: Reader) -> DriftPublic:
    """Weekly looks at the model in use; a year without any change raises an alarm with the stated chance at most."""
    found = overview.alarm(house, session)
    return DriftPublic(
        model=found.model,
        grades=found.grades,
        newest=LookPublic.model_validate(found.newest) if found.newest else None,
        raised=[LookPublic.model_validate(one) for one in found.raised],
        false_alarms_a_year=drift.ALARM_YEAR,
    )


@router.get(
    "/table.csv",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}}},
    summary="The figures as a table",
)
def table(
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: PartWanted = "",
    since: SinceWanted = "year",
    grade: GradeWanted = "serviceable",
    every: EveryWanted = "month",
) -> Response:
    """A row a part and grade, a hand check, and a month or quarter."""
    found = overview.overview(house, session, Asked(part, since, grade, every))
    return download(overview.table(found), "text/csv; charset=utf-8", "wearvision-trust.csv")
