"""Pages on which many returns are handled at once: taking a parcel in, regrading, the table for accounts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, File, Form, Request, Response, UploadFile

from wearvision.errors import WearvisionError
from wearvision.network import released_models
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.view import show
from wearvision_api.returns import lists
from wearvision_api.returns.bulk import Taken, take_in
from wearvision_api.returns.otherwise import grader_of, policy_of
from wearvision_api.returns.parcels import MOST_ROWS, TABLE, Archive
from wearvision_api.returns.regrading import Would, regrade
from wearvision_api.routes.desk_schemas import MOST_REGRADED
from wearvision_api.store.tables import now

router = APIRouter(include_in_schema=False)
Reader = Annotated[Caller, needs("returns:read")]
Writer = Annotated[Caller, needs("returns:write")]
Text = Annotated[str, Form(max_length=65_536)]
LOOKED_AT = {
    "part": "part",
    "grade": "first grade",
    "possible": "possible grades",
    "origin": "class of cause",
    "proposal": "proposal",
}


@dataclass(frozen=True, slots=True)
class ManyContext:
    """Taking many returns in.

    Attributes:
        table: Name of the table in the archive.
        most: Rows that it may have.
        taken: What became of the rows; empty before anything was sent.
        fault: Why the archive or the rest of its table could not be read.
        since: First day of this month, for the table for accounts.
        until: Today.
    """

    table: str
    most: int
    taken: tuple[Taken, ...]
    fault: str
    since: str
    until: str


@dataclass(frozen=True, slots=True)
class Difference:
    """One return beside what would have been said: its number, its page, and a line for each difference."""

    number: str
    href: str
    lines: tuple[tuple[str, str, str], ...]
    fault: str


@dataclass(frozen=True, slots=True)
class Asked:
    """Which returns are looked at, and with what; all as typed. Empty: what is in force."""

    model: str = ""
    limits: str = ""
    policy: str = ""
    state: str = "open"


@dataclass(frozen=True, slots=True)
class RegradeContext:
    """Regrading.

    Attributes:
        asked: What was asked for.
        models: Released models.
        states: Key and title of what can be looked at.
        most: How many are looked at in one go.
        looked_at: How many were; None before the form was sent.
        differences: What would change.
        fault: Why nothing could be looked at.
    """

    asked: Asked
    models: tuple[str, ...]
    states: tuple[tuple[str, str], ...]
    most: int
    looked_at: int | None
    differences: tuple[Difference, ...]
    fault: str

    @property
    def changed(self) -> int:
        """How many would differ; one that cannot be told is none of them."""
        return sum(bool(one.lines) for one in self.differences)


STATES = (("open", "Open returns"), ("decided", "Decided returns"), ("mine", "What I can do next"))


@router.get("/returns/many")
def many(request: Request, who: Reader) -> Response:
    """The form for a parcel, and the table for accounts."""
    return show(request, who, "return_many.html", _many())


@router.post("/returns/many")
def take_many(request: Request, house: HouseDep, who: Writer, file: Annotated[UploadFile, File()]) -> Response:
    """Takes a parcel in; the same one again takes nothing twice."""
    taken: list[Taken] = []
    fault = ""
    try:
        for one in take_in(house, who, Archive(file.file)):
            taken.append(one)
    except WearvisionError as error:
        fault = str(error)
    bad = fault or any(not one.number for one in taken)
    return show(request, who, "return_many.html", _many(tuple(taken), fault), 422 if bad else 200)


def _many(taken: tuple[Taken, ...] = (), fault: str = "") -> ManyContext:
    today = now().date()
    return ManyContext(TABLE, MOST_ROWS, taken, fault, today.replace(day=1).isoformat(), today.isoformat())


@router.get("/returns/regrade")
def regrade_form(request: Request, who: Reader) -> Response:
    """Chooses returns, and what to look at them with."""
    return show(request, who, "return_regrade.html", _regrade())


@router.post("/returns/regrade")
def regrade_some(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Writer,
    model: Text = "",
    limits: Text = "",
    policy: Text = "",
    state: Text = "open",
) -> Response:
    """Shows what would have been said; changes nothing."""
    asked = Asked(model, limits, policy, state if state in dict(STATES) else "open")
    try:
        grader, other = grader_of(house, model, limits), policy_of(policy)
    except WearvisionError as error:
        return show(request, who, "return_regrade.html", _regrade(asked, fault=str(error)), 422)
    ids = [row.id for row in session.scalars(lists.query_of(lists.Filters(asked.state), who).limit(MOST_REGRADED))]
    found = [_difference(one) for one in regrade(house, session, ids, grader, other)]
    shown = tuple(one for one in found if one.lines or one.fault)
    return show(request, who, "return_regrade.html", _regrade(asked, looked_at=len(found), differences=shown))


def _regrade(
    asked: Asked = Asked(),
    *,
    looked_at: int | None = None,
    differences: tuple[Difference, ...] = (),
    fault: str = "",
) -> RegradeContext:
    return RegradeContext(asked, released_models(), STATES, MOST_REGRADED, looked_at, differences, fault)


def _difference(one: Would) -> Difference:
    lines = []
    if one.before is not None and one.after is not None:
        lines = [
            (LOOKED_AT[name], _words(getattr(one.before, name)), _words(getattr(one.after, name)))
            for name in one.changes
        ]
    return Difference(one.number, f"/returns/{one.id}", tuple(lines), one.fault)


def _words(value: str | tuple[str, ...] | None) -> str:
    return ", ".join(value) if isinstance(value, tuple) else value or "none"
