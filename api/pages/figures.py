"""The page of figures over the returns, with the population it needs."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, File, Form, Path, Query, Request, Response, UploadFile
from fastapi.responses import RedirectResponse

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.figures.asked import CLASSES
from wearvision_api.figures.months import Month
from wearvision_api.pages.figure_contexts import (
    BY,
    MOST_MONTHS,
    FiguresContext,
    fitted_line,
    life_view,
    lots_view,
    month_rows,
)
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.return_words import cause_words
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.routes.figure_schemas import FittedCreate
from wearvision_api.routes.figures import asked
from wearvision_api.routes.return_schemas import ONE_LINE
from wearvision_api.routes.schemas import UUID_FORM, Cursor
from wearvision_api.services import figures, fitted
from wearvision_api.store.once import Once
from wearvision_api.store.paging import page
from wearvision_api.store.return_tables import Fitted
from wearvision_api.store.tables import new_id

router = APIRouter(prefix="/figures", include_in_schema=False)
Field = Annotated[str, Form()]
Text = Annotated[str, Query(max_length=60, pattern=ONE_LINE)]
Reader = Annotated[Caller, needs("figures:read")]
Writer = Annotated[Caller, needs("returns:write")]


@router.get("")
def figures_page(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    part: Text = "",
    part_number: Text = "",
    lot: Text = "",
    cause: Text = "",
    by: Text = "cause",
    cursor: Cursor = "",
) -> Response:
    """Life, lots and months of one part."""
    part = part or next(iter(PARTS))
    way = next((key for key, _ in BY if key == by), None)
    if part not in PARTS or (cause and cause not in CLASSES) or way is None:
        raise Problem("invalid", "There is no such part, class of cause or way to count; choose from the lists.")
    wanted = asked(part, None, part_number.strip(), lot.strip(), cause)
    title = PARTS[part].title.capitalize()

    def reckon() -> tuple[figures.LifeFigure, list[Month], figures.LotsFigure]:
        return figures.life(session, wanted), figures.by_month(session, wanted, way), figures.lots(session, wanted)

    life, rows, lots = house.figuring.run(reckon)
    known, following = page(session, fitted.listed(part), Fitted, cursor, 20)
    context = FiguresContext(
        parts=tuple((key, one.title.capitalize()) for key, one in PARTS.items()),
        part=part,
        part_number=wanted.part_number,
        lot=wanted.lot,
        cause=cause,
        by=way,
        causes=(("", "Any"), *((key, cause_words(key)) for key in CLASSES)),
        ways=tuple((key, title.capitalize()) for key, title in BY),
        part_title=title,
        returns=life.returns,
        life=life_view(life, title),
        lots=lots_view(lots, title),
        months=month_rows(rows, way),
        months_note=f"The newest {MOST_MONTHS} of {len(rows)} rows." if len(rows) > MOST_MONTHS else "",
        fitted=tuple(map(fitted_line, known)),
        older=f"/figures?{urlencode({'part': part, 'cursor': following})}#population" if following else "",
        may_write=who.may("returns:write"),
        fresh=new_id(),
    )
    return show(request, who, "figures.html", context)


@router.post("/fitted")
def record(
    session: SessionDep,
    who: Writer,
    part: Field = "",
    part_number: Field = "",
    lot: Field = "",
    since: Field = "",
    count: Field = "",
    hours_a_day: Field = "",
    source: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Records a line of the population."""
    fields = {"part": part, "part_number": part_number, "lot": lot, "since": since, "count": count}
    body = read(FittedCreate, fields | {"hours_a_day": hours_a_day, "source": source})
    once(session, who, fresh, "/figures/fitted", body, lambda: fitted.record(session, who, body).id)
    return seen(f"/figures?part={body.part}#population")


@router.post("/fitted/import")
def read_in(
    session: SessionDep, who: Writer, file: Annotated[UploadFile, File()], fresh: Field = ""
) -> RedirectResponse:
    """Reads a table of the population in, whole or not at all."""
    lines, digest = fitted.read_table(file.file)
    kept = Once(session, who.id, f"form {fresh}" if fresh else "", "POST /figures/fitted/import")
    kept.reply(digest, lambda: {"id": fitted.take_table(session, who, lines, digest)[0]})
    return seen(f"/figures?part={lines[0].part}#population")


@router.post("/fitted/{fitted_id}/strike")
def strike(session: SessionDep, fitted_id: Annotated[str, Path(pattern=UUID_FORM)], who: Writer) -> RedirectResponse:
    """Takes a wrong line out of the population."""
    part = fitted.strike(session, who, fitted_id)
    session.commit()
    return seen(f"/figures?part={part}#population")
