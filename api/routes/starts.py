"""``/starts`` and ``/walks``: where to start, and the paths that were walked."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from wearvision.errors import UnknownStart
from wearvision.standard import CAUTIONS, DEFERENCE
from wearvision.standard.starts import load_starts
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import CallerDep, OnceDep, SessionDep, needs
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import UUID_FORM, sent
from wearvision_api.routes.visit_schemas import StartsPublic, WalkCreate, WalkPublic, WalkStepPublic
from wearvision_api.services import walking
from wearvision_api.store.tables import Walk

router = APIRouter(tags=["where to start"])


def public(row: Walk) -> WalkPublic:
    """A walk as it is sent."""
    return WalkPublic(
        id=row.id,
        created_at=row.created_at,
        start=row.start,
        title=walking.title(row),
        inspection=row.inspection_id,
        steps=[WalkStepPublic(**step) for step in row.steps],
        end=walking.end(row),
    )


@router.get("/starts", response_model=StartsPublic, summary="Where to start")
def starts(who: CallerDep) -> StartsPublic:
    """From what the burner does to the checks in order, with all that is needed to walk them without a link."""
    return StartsPublic(**load_starts().to_dict(), cautions=[DEFERENCE, *CAUTIONS])


@router.get("/starts/{start}", response_model=StartsPublic, summary="One start")
def start(who: CallerDep, start: Annotated[str, Path(max_length=60)]) -> StartsPublic:
    """The checks of one symptom."""
    try:
        return StartsPublic(**load_starts().to_dict(start), cautions=[DEFERENCE, *CAUTIONS])
    except UnknownStart as error:
        raise Problem("not-found", str(error)) from error


@router.post("/walks", status_code=201, response_model=WalkPublic, summary="Keep a path walked")
def keep(
    session: SessionDep, once: OnceDep, body: WalkCreate, who: Annotated[Caller, needs("grades:write")]
) -> Response:
    """Keeps the answers to the checks of a start, each with what it meant; a walk may be kept before its end."""
    answers = [step.model_dump() for step in body.steps]

    def make() -> dict[str, Any]:
        return public(walking.keep(session, who, body.start, answers, body.inspection, body.id)).plain()

    answer = once.reply(body.model_dump_json(), make)
    return sent(answer, f"/api/v1/walks/{answer.body['id']}")


@router.get("/walks/{walk_id}", response_model=WalkPublic, summary="A path walked")
def read(
    session: SessionDep,
    walk_id: Annotated[str, Path(pattern=UUID_FORM)],
    who: Annotated[Caller, needs("grades:read")],
) -> WalkPublic:
    """A walk with what each answer meant."""
    return public(walking.find(session, who, walk_id))
