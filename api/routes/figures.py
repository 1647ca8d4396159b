"""``/figures`` and ``/fitted``: life, lots and months over the returns, and the population they need."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, File, Path, Query, Response, UploadFile

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.figures.asked import Asked
from wearvision_api.figures.life import Unsaid
from wearvision_api.figures.months import By
from wearvision_api.routes.figure_schemas import (
    AsOf,
    CauseWanted,
    FittedCreate,
    FittedPage,
    FittedPublic,
    ImportPublic,
    LifePublic,
    Lot,
    LotPublic,
    LotsPublic,
    MonthsPublic,
    PartNumber,
)
from wearvision_api.routes.schemas import UUID_FORM, Cursor, Limit, PartName, sent
from wearvision_api.services import figures, fitted
from wearvision_api.store.paging import page
from wearvision_api.store.return_tables import Fitted
from wearvision_api.store.tables import now

router = APIRouter(tags=["figures"])
Reader = Annotated[Caller, needs("figures:read")]
Writer = Annotated[Caller, needs("returns:write")]


def asked(part: str, as_of: date | None, part_number: str = "", lot: str = "", cause: str = "") -> Asked:
    """What a request asks figures of."""
    return Asked(part, as_of or now().date(), part_number, lot, cause)


def public(figure: figures.LifeFigure) -> LifePublic:
    """A life figure as it is sent."""
    plain: dict[str, Any] = asdict(figure)
    for name in ("weibull", "curve"):
        value = getattr(figure, name)
        plain[f"{name}_unsaid"] = value.reason if isinstance(value, Unsaid) else ""
        if isinstance(value, Unsaid):
            plain[name] = None
    return LifePublic.model_validate(plain)


@router.get("/figures/life", response_model=LifePublic, summary="How long parts live")
def life(
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: PartName,
    part_number: PartNumber = "",
    lot: Lot = "",
    cause: CauseWanted = "",
    as_of: AsOf = None,
) -> LifePublic:
    """Weibull and Kaplan-Meier with parts that still run; without a population, the ages of the returns and why."""
    wanted = asked(part, as_of, part_number, lot, cause)
    return public(house.figuring.run(lambda: figures.life(session, wanted)))


@router.get("/figures/lots", response_model=LotsPublic, summary="Is a lot worse than the others?")
def lots(
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: PartName,
    part_number: PartNumber = "",
    cause: CauseWanted = "",
    as_of: AsOf = None,
) -> LotsPublic:
    """An exact test of each lot against all others together, corrected for the number of lots."""
    wanted = asked(part, as_of, part_number, "", cause)
    found = house.figuring.run(lambda: figures.lots(session, wanted))
    rows = [LotPublic(part_number=number, lot=lot, **_without_name(asdict(one))) for (number, lot), one in found.lots]
    return LotsPublic(basis=found.basis, cause=found.cause, lots=rows, reason=found.reason, notes=list(found.notes))


def _without_name(plain: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in plain.items() if name != "name"}


@router.get("/figures/months", response_model=MonthsPublic, summary="Returns by month")
def months(
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: PartName,
    by: Annotated[By, Query(description="What returns are counted by.")] = "cause",
    part_number: PartNumber = "",
    lot: Lot = "",
    cause: CauseWanted = "",
    as_of: AsOf = None,
) -> MonthsPublic:
    """How many came back each month, with intervals."""
    wanted = asked(part, as_of, part_number, lot, cause)
    rows = house.figuring.run(lambda: figures.by_month(session, wanted, by))
    return MonthsPublic.model_validate({"by": by, "months": [asdict(one) for one in rows]})


@router.post("/fitted", status_code=201, response_model=FittedPublic, summary="Record how many were fitted")
def create(session: SessionDep, once: OnceDep, body: FittedCreate, who: Writer) -> Response:
    """A line of the population: figures of life and lots need it."""
    answer = once.reply(
        body.model_dump_json(), lambda: FittedPublic.model_validate(fitted.record(session, who, body)).plain()
    )
    return sent(answer)


@router.post("/fitted/import", status_code=201, response_model=ImportPublic, summary="Read a population in")
def read_in(
    session: SessionDep,
    once: OnceDep,
    who: Writer,
    file: Annotated[
        UploadFile, File(description="CSV in UTF-8: part, part_number, lot, since, count, hours_a_day; all or nothing.")
    ],
) -> Response:
    """Reads a table; one wrong line and nothing is recorded."""
    lines, digest = fitted.read_table(file.file)

    def make() -> dict[str, Any]:
        table, parts = fitted.take_table(session, who, lines, digest)
        return {"id": table, "lines": len(lines), "parts": parts}

    return sent(once.reply(digest, make))


@router.get("/fitted", response_model=FittedPage, summary="The population, newest first")
def listed(
    session: SessionDep,
    who: Reader,
    part: Annotated[PartName | None, Query(description="Of this part only.")] = None,
    cursor: Cursor = "",
    limit: Limit = 50,
) -> FittedPage:
    """A page of the population."""
    rows, following = page(session, fitted.listed(part or ""), Fitted, cursor, limit)
    return FittedPage(items=[FittedPublic.model_validate(row) for row in rows], next=following)


@router.delete("/fitted/{fitted_id}", status_code=204, summary="Take a wrong line out")
def strike(session: SessionDep, fitted_id: Annotated[str, Path(pattern=UUID_FORM)], who: Writer) -> Response:
    """Takes a line out of the population; the record keeps what it said."""
    fitted.strike(session, who, fitted_id)
    session.commit()
    return Response(status_code=204)
