"""Pages of practice: begin, one question after the other, and how it came out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.practice_contexts import (
    COUNTS,
    Choice,
    PracticeContext,
    SittingContext,
    part_title,
    person_view,
    question_context,
    result_line,
)
from wearvision_api.pages.view import show
from wearvision_api.problems import Problem
from wearvision_api.routes.practice import take
from wearvision_api.routes.practice_schemas import AnswerCreate, SittingCreate
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.store.tables import Account, new_id
from wearvision_api.teaching import practice
from wearvision_api.teaching.feedback import feedback
from wearvision_api.teaching.progress import progress, result

router = APIRouter(prefix="/teaching/practice", include_in_schema=False)
Who = Annotated[Caller, needs("practice:take")]
SittingId = Annotated[str, Path(pattern=UUID_FORM)]
Place = Annotated[int, Path(ge=1, le=practice.MOST)]
Field = Annotated[str, Form()]


@router.get("")
def practice_page(
    request: Request, session: SessionDep, who: Who, everybody: Annotated[bool, Query()] = False
) -> Response:
    """Begin a sitting, and results so far."""
    may_see_all = who.may("teaching:read")
    if everybody and not may_see_all:
        raise Problem("not-allowed", "You see your own results only.")
    people = progress(session, who, everybody=everybody)
    context = PracticeContext(
        there=len(practice.askable(session, who)),
        parts=(Choice("", "All parts"), *(Choice(key, part_title(key)) for key in PARTS)),
        counts=COUNTS,
        people=tuple(person_view(one, number) for number, one in enumerate(people)),
        everybody=everybody,
        may_see_all=may_see_all,
        teaches=may_see_all,
        fresh=new_id(),
    )
    return show(request, who, "teaching_practice.html", context)


@router.post("")
def begin(session: SessionDep, who: Who, part: Field = "", count: Field = "", fresh: Field = "") -> RedirectResponse:
    """Begins a sitting and goes to its first question."""
    body = read(SittingCreate, {"part": part, "count": count})
    made = once(
        session,
        who,
        fresh,
        "/teaching/practice",
        body,
        lambda: practice.begin(session, who, part=body.part, count=body.count).id,
    )
    return seen(f"/teaching/practice/{made}")


@router.get("/{sitting_id}")
def sitting_page(request: Request, session: SessionDep, sitting_id: SittingId, who: Who) -> Response:
    """Where a sitting goes on; its result when it is over."""
    sitting = practice.find(session, who, sitting_id)
    place = practice.open_place(session, sitting)
    if place is not None and sitting.owner_id == who.id:
        return seen(f"/teaching/practice/{sitting_id}/{place}")
    questions = []
    for number in range(1, len(sitting.asked) + 1):
        given = practice.answered(sitting, number)
        outcome = "not answered" if given is None else "right" if given.right else "not right"
        said = "" if given is None else str(given.body.get("grade") or "no grade")
        questions.append((number, outcome, said))
    line = result_line(result(sitting, session.get_one(Account, sitting.owner_id).name))
    context = SittingContext(line, tuple(questions), f"/teaching/practice/{sitting_id}", who.may("teaching:read"))
    return show(request, who, "teaching_practice_result.html", context)


@router.get("/{sitting_id}/{place}")
def question_page(
    request: Request, house: HouseDep, session: SessionDep, sitting_id: SittingId, place: Place, who: Who
) -> Response:
    """A question, or what was right once it is answered."""
    sitting = practice.find(session, who, sitting_id)
    row = practice.asked(session, sitting, place)
    found = feedback(house, session, sitting, place)
    context = question_context(sitting, row, found, own=sitting.owner_id == who.id)
    return show(request, who, "teaching_practice_question.html", context)


@router.post("/{sitting_id}/{place}")
def answer(
    house: HouseDep,
    session: SessionDep,
    sitting_id: SittingId,
    place: Place,
    who: Who,
    part: Field = "",
    fit: Field = "",
    grade: Field = "",
    mode: Field = "",
    where: Field = "",
) -> RedirectResponse:
    """Takes an answer; pressed twice, the first one counts."""
    sitting = practice.find(session, who, sitting_id)
    if practice.answered(sitting, place) is None:
        fields = {"part": part, "fit": fit, "grade": grade, "mode": mode, "where": where}
        take(house, session, who, sitting, place, read(AnswerCreate, fields))
        session.commit()
    return seen(f"/teaching/practice/{sitting_id}/{place}")
