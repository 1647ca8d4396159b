"""``/worklist``, ``/parcels``, ``/regrades``, ``/exports``: many returns at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import date
from typing import Annotated

from fastapi import APIRouter, File, Query, UploadFile
from fastapi.responses import StreamingResponse

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.returns import lists
from wearvision_api.returns.accounts_export import csv_lines
from wearvision_api.returns.bulk import take_in
from wearvision_api.returns.otherwise import grader_of, policy_of
from wearvision_api.returns.parcels import Archive
from wearvision_api.returns.regrading import regrade
from wearvision_api.routes.desk_schemas import (
    ParcelPublic,
    RegradeCreate,
    RegradePublic,
    TakenPublic,
    WorklistPublic,
    WouldPublic,
)
from wearvision_api.routes.return_schemas import State
from wearvision_api.routes.returns import public
from wearvision_api.routes.schemas import PartName

router = APIRouter(tags=["returns"])
Reader = Annotated[Caller, needs("returns:read")]
Writer = Annotated[Caller, needs("returns:write")]


@router.get("/worklist", response_model=WorklistPublic, summary="The working list")
def worklist(
    session: SessionDep,
    who: Reader,
    state: Annotated[State | None, Query(description="Left out: all that are not decided.")] = None,
    mine: Annotated[bool, Query(description="What you can do next.")] = False,
    part: PartName | None = None,
    q: Annotated[str, Query(max_length=200, description="In number, serial, lot, machine or claimant.")] = "",
    flagged: bool = False,
    days_from: Annotated[int | None, Query(ge=0, le=100_000)] = None,
    value_from: Annotated[int | None, Query(ge=0, le=2**31 - 1)] = None,
    doubt_from: Annotated[float | None, Query(ge=0, le=1)] = None,
    order: lists.Order = "age",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> WorklistPublic:
    """Returns by age, value or doubt, ``lists.PAGE`` a page."""
    filters = lists.Filters(
        "mine" if mine else state or "open", part or "", q, flagged, days_from, value_from, doubt_from, order
    )
    rows, total = lists.listed(session, filters, who, page)
    return WorklistPublic(
        items=[public(row) for row in rows], total=total, page=page, counts=lists.counts(session, who)
    )


@router.post("/parcels", status_code=201, response_model=ParcelPublic, summary="Take many claims in")
def take_parcel(
    house: HouseDep,
    file: Annotated[UploadFile, File(description="Zip archive with returns.csv and photos.")],
    who: Writer,
) -> ParcelPublic:
    """Takes each row of the table in, whole or not at all; a row that was taken before is not taken twice."""
    taken = take_in(house, who, Archive(file.file))
    return ParcelPublic(rows=[TakenPublic.model_validate(one) for one in taken])


@router.post("/regrades", status_code=201, response_model=RegradePublic, summary="What would another model have said?")
def regrade_some(house: HouseDep, body: RegradeCreate, who: Writer) -> RegradePublic:
    """Grades the photos of returns with another model, other limits or another policy; changes nothing."""
    grader, policy = grader_of(house, body.model, body.limits), policy_of(body.policy)
    with house.session(writes=False) as session:
        found = list(regrade(house, session, body.returns, grader, policy))
    return RegradePublic(
        returns=[WouldPublic.model_validate(asdict(one) | {"changes": list(one.changes)}) for one in found]
    )


@router.get(
    "/exports/returns.csv",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/csv": {}}}},
    summary="Decided returns for accounts",
)
def export(
    house: HouseDep,
    who: Reader,
    since: Annotated[date, Query(description="First day of decisions.")],
    until: Annotated[date, Query(description="Last day of decisions.")],
) -> StreamingResponse:
    """One line a return, in the order of the decisions."""
    headers = {
        "Content-Disposition": f'attachment; filename="returns-{since}-{until}.csv"',
        "Cache-Control": "private, no-store",
        "X-Content-Type-Options": "nosniff",
    }
    return StreamingResponse(_lines(house, since, until), media_type="text/csv; charset=utf-8", headers=headers)


def _lines(house: House, since: date, until: date) -> Iterator[str]:
    with house.session(writes=False) as session:
        yield from csv_lines(session, since, until)
