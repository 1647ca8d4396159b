"""Pages of where to start: symptoms, a walk step by step, and a walk that was recorded.

A walk lives in its address until it is recorded, so that the browser's way back takes the last answer back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from wearvision.errors import InputError, UnknownStart
from wearvision.parts import PARTS
from wearvision.standard import CAUTIONS, DEFERENCE
from wearvision.standard.starts import load_starts
from wearvision.walk import Walk, walk
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import SessionDep, needs
from wearvision_api.pages import units
from wearvision_api.pages.check_contexts import SAYS, CheckView, Mistake, check_view
from wearvision_api.pages.contexts import form_context
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.routes.visit_schemas import WalkCreate
from wearvision_api.services import walking

router = APIRouter(include_in_schema=False)
StartId = Annotated[str, Path(max_length=60)]
Text = Annotated[str, Query(max_length=60)]
Answers = Annotated[list[str], Query(max_length=100)]
Reader = Annotated[Caller, needs("grades:read")]
ENDS = {"done": "Done", "mend": "Mend this", "begin": "Begin anew", "technician": "Stop here"}


@dataclass(frozen=True, slots=True)
class StartsContext:
    """The symptoms: address, title, how it shows; and the cautions for all of them."""

    starts: tuple[tuple[str, str, str], ...]
    deference: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WalkedStep:
    """A check as it was answered: title, entry, kind of answer with its word, and what it meant."""

    title: str
    entered: str
    says: str
    word: str
    text: str


@dataclass(frozen=True, slots=True)
class WalkContext:
    """A walk so far, or one on record.

    Attributes:
        path: Of the page.
        title: The symptom.
        seen_as: How it shows; empty for one on record.
        steps: Those answered.
        answers: The same as they stand in the address.
        check: The next one; None at an end, or on record.
        is_reset: Whether this check is the one in which reset is pressed.
        photograph: Title of the part to photograph here, and address; empty for none.
        end: Its heading, title and text; None on the way.
        visits: Open visits to record it at: id and label.
        cautions: For the whole walk.
        may_record: Whether the form to record it is shown.
        fresh: Id for the record.
    """

    path: str
    title: str
    seen_as: str
    steps: tuple[WalkedStep, ...]
    answers: tuple[str, ...]
    check: CheckView | None
    is_reset: bool
    photograph: tuple[str, str]
    end: tuple[str, str, str] | None
    visits: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    may_record: bool
    fresh: str


@router.get("/start")
def starts(request: Request, who: Reader) -> Response:
    """The symptoms."""
    rows = tuple((f"/start/{one.id}", one.title, one.seen_as) for one in load_starts().starts.values())
    return show(request, who, "starts.html", StartsContext(rows, DEFERENCE, CAUTIONS))


@router.get("/start/{start}")
def step(
    request: Request,
    session: SessionDep,
    who: Reader,
    start: StartId,
    a: Answers = [],  # noqa: B006  # FastAPI copies it
    check: Text = "",
    value: Text = "",
    unit: Text = "",
    word: Text = "",
) -> Response:
    """The walk over the answers given, and its next check."""
    given, mistake = list(a), None
    try:
        found = walk(start, _read(given))
        if check:
            try:
                entered = word or _number(value, unit)
                longer = [*given, f"{check}={entered}"]
                found, given = walk(start, _read(longer)), longer
            except InputError as error:
                mistake = Mistake(check, value, unit, str(error).removeprefix(f"{check}: "))
    except UnknownStart as error:
        raise Problem("not-found", str(error)) from error
    context = _context(request, found, given, mistake)
    form = form_context(session, who, "", "", beside=False)
    return show(request, who, "walk.html", _with_form(context, form.visits, form.fresh, who), 422 if mistake else 200)


@router.post("/start/{start}")
def record(
    session: SessionDep,
    who: Annotated[Caller, needs("grades:write")],
    start: StartId,
    a: Annotated[list[str], Form(max_length=100)],
    inspection: Annotated[str, Form()] = "",
    fresh: Annotated[str, Form()] = "",
) -> RedirectResponse:
    """Records the path walked."""
    body = read(WalkCreate, {"start": start, "inspection": inspection, "steps": _read(a)})
    answers = [one.model_dump() for one in body.steps]

    def make() -> str:
        return walking.keep(session, who, start, answers, body.inspection, None).id

    return seen(f"/walks/{once(session, who, fresh, f'/start/{start}', body, make)}")


@router.get("/walks/{walk_id}")
def recorded(
    request: Request, session: SessionDep, who: Reader, walk_id: Annotated[str, Path(pattern=UUID_FORM)]
) -> Response:
    """A path on record."""
    row = walking.find(session, who, walk_id)
    end = walking.end(row)
    context = WalkContext(
        path=f"/start/{row.start}",
        title=walking.title(row),
        seen_as="",
        steps=tuple(_step(one) for one in row.steps),
        answers=(),
        check=None,
        is_reset=False,
        photograph=("", ""),
        end=(ENDS[end["kind"]], end["title"], end["text"]) if end else None,
        visits=(),
        cautions=CAUTIONS,
        may_record=False,
        fresh="",
    )
    return show(request, who, "walk.html", context)


def _read(given: Sequence[str]) -> list[dict[str, Any]]:
    pairs = [one.partition("=") for one in given]
    return [{"check": check, "answer": answer} for check, _, answer in pairs]


def _number(value: str, unit: str) -> str:
    """The entry with its unit, unless it names its own."""
    text = value.strip().replace(",", ".")
    return f"{text} {unit}" if unit not in ("", "1") and text[-1:].isdigit() else text


def _step(plain: dict[str, Any]) -> WalkedStep:
    text = f"{plain['text']} {plain['note']}".strip()
    return WalkedStep(plain["title"], plain["entered"], plain["says"], SAYS[plain["says"]], text)


def _context(request: Request, found: Walk, given: Sequence[str], mistake: Mistake | None) -> WalkContext:
    check, end = found.check, found.end
    part = PARTS.get(check.part) if check else None
    return WalkContext(
        path=request.url.path,
        title=found.start.title,
        seen_as=found.start.seen_as,
        steps=tuple(_step(one.to_dict()) for one in found.steps),
        answers=tuple(given),
        check=check_view(check, units.chosen(request), refused=mistake) if check else None,
        is_reset=check.presses_reset if check else False,
        photograph=(part.title, f"/grade?part={part.key}") if part else ("", ""),
        end=(ENDS[end.kind], end.title, end.text) if end else None,
        visits=(),
        cautions=(DEFERENCE, *CAUTIONS),
        may_record=False,
        fresh="",
    )


def _with_form(context: WalkContext, visits: tuple[tuple[str, str], ...], fresh: str, who: Caller) -> WalkContext:
    return replace(context, visits=visits, fresh=fresh, may_record=who.may("grades:write") and bool(context.steps))
