"""``/practice``: settled examples as questions, with an answer to each answer."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.routes.downloads import download
from wearvision_api.routes.practice_schemas import (
    AnswerCreate,
    FeedbackPublic,
    PracticeResults,
    SittingCreate,
    SittingPublic,
)
from wearvision_api.routes.schemas import UUID_FORM, sent
from wearvision_api.store.tables import Account
from wearvision_api.store.teaching_tables import SittingRow
from wearvision_api.teaching import practice
from wearvision_api.teaching.feedback import Feedback, feedback, picture
from wearvision_api.teaching.marking import Said
from wearvision_api.teaching.progress import Result, progress, result

router = APIRouter(prefix="/practice", tags=["teaching"])
Who = Annotated[Caller, needs("practice:take")]
SittingId = Annotated[str, Path(pattern=UUID_FORM)]
Place = Annotated[int, Path(ge=1, le=practice.MOST)]
JPEG: dict[int | str, dict[str, Any]] = {200: {"content": {"image/jpeg": {}}, "description": "An upright JPEG."}}


def sitting_public(session: Session, row: SittingRow) -> SittingPublic:
    """A sitting as it is sent."""
    found = result(row, session.get_one(Account, row.owner_id).name)
    return _result(found, practice.open_place(session, row))


def _result(found: Result, following: int | None) -> SittingPublic:
    return SittingPublic.model_validate(asdict(found) | {"next": following})


def feedback_public(sitting: SittingRow, found: Feedback) -> FeedbackPublic:
    """A question, with its answer once there is one, as it is sent."""
    return FeedbackPublic.model_validate(
        {
            "sitting": sitting.id,
            "place": found.place,
            "of": found.of,
            "state": found.state,
            "right": found.row.right if found.row is not None else None,
            "marked": found.marked or {},
            "wear": [
                {
                    "mode": one.mode.key,
                    "title": one.mode.title,
                    "grade": one.grade,
                    "named": one.named,
                    "where": one.where,
                    "standard": one.standard,
                }
                for one in found.wear
            ],
            "faults": found.faults,
            "drawn": found.drawn,
        }
    )


def take(house: House, session: Session, who: Caller, sitting: SittingRow, place: int, body: AnswerCreate) -> Feedback:
    """Takes an answer and gives what is told of it; the caller commits."""
    practice.answer(house, session, who, sitting, place, Said(**body.model_dump()))
    return feedback(house, session, sitting, place)


@router.post("", status_code=201, response_model=SittingPublic, summary="Begin a sitting")
def begin(session: SessionDep, once: OnceDep, body: SittingCreate, who: Who) -> Response:
    """Questions from each part and grade in turn, none of them on photos that the caller has labelled."""

    def make() -> dict[str, Any]:
        row = practice.begin(session, who, part=body.part, count=body.count, record_id=body.id)
        return sitting_public(session, row).plain()

    return sent(once.reply(body.model_dump_json(), make))


@router.get("", response_model=PracticeResults, summary="Results over time")
def results(
    session: SessionDep,
    who: Who,
    everybody: Annotated[bool, Query(description="Results of all; for those who see all of teaching.")] = False,
) -> PracticeResults:
    """Agreement with the settled truth, sitting by sitting. Own results; trainers and administrators see all."""
    if everybody and not who.may("teaching:read"):
        raise Problem("not-allowed", "You see your own results only.")
    return PracticeResults.model_validate(
        {
            "items": [
                {
                    "person": one.person,
                    "results": [_result(row, None) for row in one.results],
                    "kappa": asdict(one.kappa),
                }
                for one in progress(session, who, everybody=everybody)
            ]
        }
    )


@router.get("/{sitting_id}", response_model=SittingPublic, summary="A sitting and how it stands")
def one_sitting(session: SessionDep, sitting_id: SittingId, who: Who) -> SittingPublic:
    """How many were right, and which question waits."""
    return sitting_public(session, practice.find(session, who, sitting_id))


@router.get("/{sitting_id}/{place}", response_model=FeedbackPublic, summary="A question")
def question(house: HouseDep, session: SessionDep, sitting_id: SittingId, place: Place, who: Who) -> FeedbackPublic:
    """What was right once it is answered; nothing before."""
    sitting = practice.find(session, who, sitting_id)
    return feedback_public(sitting, feedback(house, session, sitting, place))


@router.post("/{sitting_id}/{place}", status_code=201, response_model=FeedbackPublic, summary="Answer a question")
def answer(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    sitting_id: SittingId,
    place: Place,
    body: AnswerCreate,
    who: Who,
) -> Response:
    """The first answer counts. The reply says what was right, what was missed and where it is."""

    def make() -> dict[str, Any]:
        sitting = practice.find(session, who, sitting_id)
        return feedback_public(sitting, take(house, session, who, sitting, place, body)).plain()

    return sent(once.reply(body.model_dump_json(), make))


@router.get("/{sitting_id}/{place}/photo", response_class=Response, responses=JPEG, summary="The photo of a question")
def photo(house: HouseDep, session: SessionDep, sitting_id: SittingId, place: Place, who: Who) -> Response:
    """The photo as it is asked, without anything drawn over it."""
    row = practice.still_there(session, practice.find(session, who, sitting_id), place)
    return download(picture(house, row, outlined=False), "image/jpeg", "photo.jpg")


@router.get(
    "/{sitting_id}/{place}/outlined",
    response_class=Response,
    responses=JPEG,
    summary="The photo with what people drew when they settled it",
)
def outlined(house: HouseDep, session: SessionDep, sitting_id: SittingId, place: Place, who: Who) -> Response:
    """Only once the question is answered."""
    sitting = practice.find(session, who, sitting_id)
    row = practice.still_there(session, sitting, place)
    if practice.answered(sitting, place) is None:
        raise Problem("conflict", "Answer the question first.")
    return download(picture(house, row, outlined=True), "image/jpeg", "outlined.jpg")
