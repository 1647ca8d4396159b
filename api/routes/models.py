"""``/models``: which model grades; release, shadow, taking back; ``/trainings``: how new ones come about."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.routes.model_schemas import (
    MODEL_ID,
    DifferencesPublic,
    ModelPublic,
    ModelsPublic,
    ReasonCreate,
    TrainingCreate,
    TrainingPage,
    TrainingPublic,
)
from wearvision_api.routes.schemas import UUID_FORM, Cursor, Limit, sent
from wearvision_api.store.paging import page
from wearvision_api.store.tables import Account
from wearvision_api.store.teaching_tables import TrainingRow
from wearvision_api.teaching import model_list, release, shadow_differences, trainings

router = APIRouter(tags=["models"])
Reader = Annotated[Caller, needs("teaching:read")]
Teacher = Annotated[Caller, needs("teaching:write")]
Releaser = Annotated[Caller, needs("models:release")]
ModelPath = Annotated[str, Path(pattern=MODEL_ID)]
TrainingId = Annotated[str, Path(pattern=UUID_FORM)]


def all_models(house: House, session: Any) -> ModelsPublic:
    """What ``GET /models`` says."""
    stands = release.standing(session)
    before = stands.before
    return ModelsPublic.model_validate(
        {
            "in_use": model_list.in_use(house, stands),
            "here": house.grader.model_id,
            "shadow": stands.shadow,
            "before": before if before is None else before or house.current.settings_id,
            "faults": {kind: fault.reason for kind, fault in house.current.faults.items()},
            "items": [asdict(one) for one in model_list.known(house, session)],
            "turns": [asdict(one) for one in model_list.turns(house, session)],
        }
    )


def public(session: Any, row: TrainingRow) -> TrainingPublic:
    """A training as it is sent."""
    return TrainingPublic(
        id=row.id,
        created_at=row.created_at,
        by=session.get_one(Account, row.owner_id).name,
        data_set=row.data_set.name,
        base=row.base,
        settings=row.settings,
        state=row.state,  # type: ignore[arg-type]  # the table holds these only
        progress=row.progress,
        begun_at=row.begun_at,
        seen_at=row.seen_at,
        ended_at=row.ended_at,
        said=row.said,
        model=row.model_id,
    )


@router.get("/models", response_model=ModelsPublic, summary="The models, and which one grades")
def models(house: HouseDep, session: SessionDep, who: Reader) -> ModelsPublic:
    """Released models and the site's own, with the turns that brought them in and out of use."""
    return all_models(house, session)


@router.get("/models/{model_id}", response_model=ModelPublic, summary="A model beside the one it comes from")
def model(house: HouseDep, session: SessionDep, model_id: ModelPath, who: Reader) -> ModelPublic:
    """Its comparison on the held-out photos, what the gate says, and its card."""
    found = model_list.one(house, session, model_id)
    return ModelPublic.model_validate(asdict(found) | {"card": model_list.card(house, session, model_id)})


@router.get("/models/{model_id}/differences", response_model=DifferencesPublic, summary="What it said in the shadow")
def differences(
    session: SessionDep,
    model_id: ModelPath,
    who: Reader,
    which: shadow_differences.Which = "all",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> DifferencesPublic:
    """Grades of which it said something else than the model in use, the most dangerous first."""
    release.demand(session, model_id)
    counts = asdict(shadow_differences.counted(session, model_id))
    items = [asdict(one) for one in shadow_differences.listed(session, model_id, which, page)]
    return DifferencesPublic.model_validate(counts | {"items": items})


@router.post("/models/{model_id}/release", response_model=ModelsPublic, summary="Bring a model into use")
def bring_into_use(
    house: HouseDep, session: SessionDep, model_id: ModelPath, body: ReasonCreate, who: Releaser
) -> ModelsPublic:
    """Every process changes over within seconds; none stops. Against the gate: administrators only, with a reason."""
    release.release(house, session, who, model_id, body.reason)
    return all_models(house, session)


@router.post("/models/{model_id}/take-back", response_model=ModelsPublic, summary="Take the model in use back")
def take_back(
    house: HouseDep, session: SessionDep, model_id: ModelPath, body: ReasonCreate, who: Releaser
) -> ModelsPublic:
    """Puts the model before this one to work again; refused where another one than this is in use."""
    release.take_back(house, session, who, model_id, body.reason)
    return all_models(house, session)


@router.post("/models/{model_id}/shadow", response_model=ModelsPublic, summary="Put a model in the shadow")
def put_in_shadow(
    house: HouseDep, session: SessionDep, model_id: ModelPath, body: ReasonCreate, who: Releaser
) -> ModelsPublic:
    """It grades what the one in use grades, after the answer has been sent, and says nothing to anybody."""
    release.put_in_shadow(house, session, who, model_id, body.reason)
    return all_models(house, session)


@router.delete("/models/{model_id}/shadow", response_model=ModelsPublic, summary="End the shadow")
def end_shadow(house: HouseDep, session: SessionDep, model_id: ModelPath, who: Releaser) -> ModelsPublic:
    """What it said is kept."""
    release.end_shadow(house, session, who, model_id)
    return all_models(house, session)


@router.get("/trainings", response_model=TrainingPage, summary="The trainings")
def listed(session: SessionDep, who: Reader, cursor: Cursor = "", limit: Limit = 20) -> TrainingPage:
    """Newest first."""
    rows, following = page(session, trainings.listed(), TrainingRow, cursor, limit)
    return TrainingPage(items=[public(session, row) for row in rows], next=following)


@router.post("/trainings", status_code=201, response_model=TrainingPublic, summary="Train on a frozen set")
def start(house: HouseDep, session: SessionDep, body: TrainingCreate, who: Teacher, once: OnceDep) -> Response:
    """Begins as soon as the machine has no other training at work; the process is one of its own."""

    def make() -> dict[str, Any]:
        row = trainings.start(
            house,
            session,
            who,
            body.data_set,
            base=body.base or "",
            stage=body.stage,
            minutes=body.minutes,
            seed=body.seed,
        )
        return public(session, row).plain()

    answer = once.reply(body.model_dump_json(), make)
    return sent(answer, f"/api/v1/trainings/{answer.body['id']}")


@router.get("/trainings/{training_id}", response_model=TrainingPublic, summary="A training")
def training(session: SessionDep, training_id: TrainingId, who: Reader) -> TrainingPublic:
    """How far it is."""
    return public(session, trainings.find(session, training_id))


@router.post("/trainings/{training_id}/stop", response_model=TrainingPublic, summary="Stop a training")
def stop(session: SessionDep, training_id: TrainingId, who: Teacher) -> TrainingPublic:
    """It ends at its next step; what it has done is kept to go on from."""
    row = trainings.stop(session, who, trainings.find(session, training_id))
    session.commit()
    return public(session, row)


@router.post("/trainings/{training_id}/resume", response_model=TrainingPublic, summary="Go on with a training")
def resume(session: SessionDep, training_id: TrainingId, who: Teacher) -> TrainingPublic:
    """One that was stopped or failed goes on from what it had done."""
    row = trainings.resume(session, who, trainings.find(session, training_id))
    session.commit()
    return public(session, row)
