"""The first page, the choice of units, the page of all components, and problems as pages."""

from __future__ import annotations

import re
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy import select
from starlette.datastructures import URL

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import CallerDep, HouseDep, SessionDep, needs
from wearvision_api.pages import pattern, units
from wearvision_api.pages.contexts import HomeContext, ProblemContext, grade_line
from wearvision_api.pages.forms import seen
from wearvision_api.pages.return_list_contexts import tally
from wearvision_api.pages.view import show
from wearvision_api.pages.visit_contexts import machine_line
from wearvision_api.problems import Problem
from wearvision_api.services import grading, machines
from wearvision_api.store.paging import page
from wearvision_api.store.tables import GradeRow, Machine, new_id

router = APIRouter(include_in_schema=False)
Field = Annotated[str, Form()]
NEWEST_GRADES, NEWEST_MACHINES = 6, 5
YEAR_S = 365 * 86400
OWN_PAGE = re.compile(r"/([\w-]+(/[\w-]+)*)?", re.ASCII)
"""An address of this service; what begins with two slashes would lead away."""


@router.get("/")
def home(request: Request, session: SessionDep, who: Annotated[Caller, needs("grades:read")]) -> Response:
    """Camera, where to start, returns, newest grades and machines."""
    rows, _ = page(session, grading.visible(who), GradeRow, "", NEWEST_GRADES)
    known = page(session, select(Machine), Machine, "", NEWEST_MACHINES)[0] if who.may("machines:read") else []
    context = HomeContext(
        fresh=new_id(),
        grades=tuple(map(grade_line, rows)),
        machines=tuple(machine_line(row, machines.due(session, row)) for row in known),
        may_write=who.may("grades:write"),
        returns=tally(session, who) if who.may("returns:read") else (),
        may_take_in=who.may("returns:write"),
    )
    return show(request, who, "home.html", context)


@router.post("/units")
def choose_units(
    house: HouseDep, who: CallerDep, units_: Annotated[str, Form(alias="units")], back: Field = "/"
) -> RedirectResponse:
    """Remembers in this browser what readings are shown in."""
    if units_ not in units.SYSTEMS:
        raise Problem("invalid", f"Units are {' or '.join(units.SYSTEMS)}.")
    answer = seen(back if OWN_PAGE.fullmatch(back) else "/")
    answer.set_cookie(units.COOKIE, units_, max_age=YEAR_S, httponly=True, samesite="lax", secure=house.settings.secure)
    return answer


@router.get("/pattern")
def components(request: Request, who: Annotated[Caller, needs("grades:read")]) -> Response:
    """Every component once, to look at and to test."""
    return show(request, who, "pattern.html", pattern.context(units.chosen(request)))


def problem_page(request: Request, problem: Problem) -> Response:
    """A problem as a page; somebody who has not logged in is asked to."""
    came = request.headers.get("referer", "")
    form = came if request.method != "GET" and came.startswith(str(request.base_url)) else ""
    if problem.code == "not-logged-in":  # whoever sent a form after the session had ended comes back to it
        here = request.url if request.method == "GET" else URL(form or "/")
        return seen(f"/login?next={quote(here.path + (f'?{here.query}' if here.query else ''), safe='')}")
    href, way = (form, "Back to the form") if form else ("/", "To the first page")
    context = ProblemContext(problem.status, problem.title, problem.detail, href, way)
    answer = show(request, None, "problem.html", context, problem.status)
    answer.headers.update(problem.headers)
    return answer
