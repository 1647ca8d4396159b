"""The working list of the returns desk: filters, order, saved lists, and the jump by a number typed or scanned."""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import SessionDep, needs
from wearvision_api.pages.forms import seen
from wearvision_api.pages.return_list_contexts import (
    CHOICES,
    DOUBTS,
    FIELDS,
    ORDERS,
    ReturnsContext,
    SavedLine,
    address,
    counts_of,
    fields_of,
    filters_from,
    last_currency,
    open_flags_of,
    return_line,
    shown,
)
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.returns import lists
from wearvision_api.routes.schemas import UUID_FORM

router = APIRouter(prefix="/returns", include_in_schema=False)
Reader = Annotated[Caller, needs("returns:read")]
Field = Annotated[str, Query(max_length=200)]
Typed = Annotated[str, Form(max_length=200)]
WHOLE = re.compile(r"\d\d-?\d{5}-?\d\d", re.ASCII)
"""Looks like a whole return number, whether or not its check digits fit."""


@router.get("")
def listed(
    request: Request,
    session: SessionDep,
    who: Reader,
    number: Field = "",
    q: Field = "",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> Response:
    """The list; a whole number, typed or scanned, leads straight to its return."""
    found = lists.jump(session, number or q) if number or q else None
    if found is not None:
        return seen(f"/returns/{found.id}")
    currency = last_currency(session)
    filters = filters_from(dict(request.query_params), currency)
    rows, total = lists.listed(session, filters, who, page)
    fields, flags = fields_of(filters, currency), open_flags_of(session, rows)
    context = ReturnsContext(
        lines=tuple(return_line(row, flags.get(row.id, 0)) for row in rows),
        total=total,
        shown=shown(page, len(rows), total),
        before=address(fields, page - 1) if page > 1 else "",
        after=address(fields, page + 1) if page * lists.PAGE < total else "",
        counts=counts_of(lists.counts(session, who), filters),
        values=dict.fromkeys(FIELDS, "") | {"state": "open", "order": "age"} | fields | {"currency": currency},
        is_filtered=bool(fields.keys() - {"q"}) and fields != {"state": "mine"},
        choices={
            "state": CHOICES,
            "part": (("", "Any part"), *((key, spec.title.capitalize()) for key, spec in PARTS.items())),
            "doubt": DOUBTS,
            "order": ORDERS,
        },
        saved=tuple(
            SavedLine(
                address(fields_of(lists.filters_of(one.query), currency)), one.name, f"/returns/lists/{one.id}/forget"
            )
            for one in lists.saved(session, who)
        ),
        query=urlencode(fields),
        unknown=number or (q if WHOLE.fullmatch(q.strip()) else ""),
        may_write=who.may("returns:write"),
    )
    return show(request, who, "returns.html", context)


@router.post("/lists")
def save(
    session: SessionDep, who: Annotated[Caller, needs("returns:write")], name: Typed = "", query: Typed = ""
) -> RedirectResponse:
    """Keeps the filters of the list under a name."""
    kept = " ".join(name.replace("\x00", "").split())[:60]
    if not kept:
        raise Problem("invalid", "Give the list a name.")
    currency = last_currency(session)
    filters = filters_from(dict(parse_qsl(query)), currency)
    lists.save(session, who, kept, filters)
    session.commit()
    return seen(address(fields_of(filters, currency)))


@router.post("/lists/{list_id}/forget")
def forget(
    session: SessionDep,
    who: Annotated[Caller, needs("returns:write")],
    list_id: Annotated[str, Path(pattern=UUID_FORM)],
) -> RedirectResponse:
    """Removes a saved list."""
    lists.forget(session, who, list_id)
    session.commit()
    return seen("/returns#saved")
