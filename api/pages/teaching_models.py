"""Pages of models: which one grades, what a new one is like, and what one says in the shadow."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import read, seen
from wearvision_api.pages.model_contexts import model_context, models_context, shadow_context
from wearvision_api.pages.view import show
from wearvision_api.routes.model_schemas import MODEL_ID, ReasonCreate
from wearvision_api.teaching import release, shadow_differences

router = APIRouter(prefix="/teaching/models", include_in_schema=False)
ModelPath = Annotated[str, Path(pattern=MODEL_ID)]
Field = Annotated[str, Form()]
Reader = Annotated[Caller, needs("teaching:read")]
Releaser = Annotated[Caller, needs("models:release")]


@router.get("")
def listed(request: Request, house: HouseDep, session: SessionDep, who: Reader) -> Response:
    """All models, which one grades, and the trainings."""
    return show(request, who, "teaching_models.html", models_context(house, session, who))


@router.get("/{model_id}")
def one(request: Request, house: HouseDep, session: SessionDep, model_id: ModelPath, who: Reader) -> Response:
    """A model beside the one it comes from."""
    return show(request, who, "teaching_model.html", model_context(house, session, who, model_id))


@router.get("/{model_id}/shadow")
def in_the_shadow(
    request: Request,
    session: SessionDep,
    model_id: ModelPath,
    who: Reader,
    which: shadow_differences.Which = "all",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> Response:
    """What it said in the shadow, where the model in use said something else."""
    release.demand(session, model_id)
    return show(request, who, "teaching_shadow.html", shadow_context(session, model_id, which, page))


@router.post("/{model_id}/release")
def bring_into_use(
    house: HouseDep, session: SessionDep, model_id: ModelPath, who: Releaser, reason: Field = ""
) -> RedirectResponse:
    """Brings it into use."""
    release.release(house, session, who, model_id, read(ReasonCreate, {"reason": reason}).reason)
    return seen("/teaching/models#in-use")


@router.post("/{model_id}/take-back")
def take_back(
    house: HouseDep, session: SessionDep, model_id: ModelPath, who: Releaser, reason: Field = ""
) -> RedirectResponse:
    """Takes it back: the one before grades again."""
    release.take_back(house, session, who, model_id, read(ReasonCreate, {"reason": reason}).reason)
    return seen("/teaching/models#in-use")


@router.post("/{model_id}/shadow")
def put_in_shadow(house: HouseDep, session: SessionDep, model_id: ModelPath, who: Releaser) -> RedirectResponse:
    """Has it grade silently beside the one in use."""
    release.put_in_shadow(house, session, who, model_id)
    return seen("/teaching/models#in-use")


@router.post("/{model_id}/shadow/end")
def end_shadow(house: HouseDep, session: SessionDep, model_id: ModelPath, who: Releaser) -> RedirectResponse:
    """Ends its silent grading."""
    release.end_shadow(house, session, who, model_id)
    return seen(f"/teaching/models/{model_id}")
