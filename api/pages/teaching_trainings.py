"""Pages of trainings: asked for, followed while they run, stopped and gone on with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Path, Request, Response
from fastapi.responses import RedirectResponse
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import once, read, seen
from wearvision_api.pages.view import show
from wearvision_api.routes.model_schemas import TrainingCreate
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.services.sheet import moment
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import ModelRow, TrainingRow
from wearvision_api.teaching import trainings

router = APIRouter(prefix="/teaching/trainings", include_in_schema=False)
TrainingId = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form()]
Reader = Annotated[Caller, needs("teaching:read")]
Teacher = Annotated[Caller, needs("teaching:write")]
STAGES = (
    ("reading", "Read the set"),
    ("drawing", "Draw pictures, so that nothing is forgotten"),
    ("features", "Look at every photo"),
    ("heads", "Train the heads"),
    ("more", "Train more of the network"),
    ("export", "Write the model down"),
    ("calibrate", "Fit the intervals"),
    ("compare", "Compare with the model before"),
)
WORDS = {
    "waiting": "It waits until the machine has no other training at work.",
    "running": "It runs.",
    "stopped": "Stopped.",
    "failed": "Failed.",
    "done": "Done: the new model is taken in.",
}


@dataclass(frozen=True, slots=True)
class StageView:
    """A stage: title, whether it is ``past``, ``now`` or ``ahead``, and how far it is."""

    title: str
    place: str
    done: int
    of: int
    say: str


@dataclass(frozen=True, slots=True)
class TrainingContext:
    """The page of one training.

    Attributes:
        id: Of the training.
        state: Its state.
        words: The state for people.
        said: Why it stopped or failed; empty: nothing to say.
        is_open: Whether it waits or runs: the page looks again by itself.
        is_stopping: Whether it was asked to stop.
        stages: In order.
        facts: What was asked for, and when.
        times: When it began, and how long it has run.
        model: Id of the model that it made; empty: none yet.
        may_stop: Whether it can be stopped by this person.
        may_resume: Whether it can go on.
    """

    id: str
    state: str
    words: str
    said: str
    is_open: bool
    is_stopping: bool
    stages: tuple[StageView, ...]
    facts: tuple[tuple[str, str], ...]
    times: tuple[tuple[str, str], ...]
    model: str
    may_stop: bool
    may_resume: bool


@router.post("")
def start(
    house: HouseDep,
    session: SessionDep,
    who: Teacher,
    data_set: Field = "",
    base: Field = "",
    stage: Field = "heads",
    minutes: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Asks for a training."""
    body = read(TrainingCreate, {"data_set": data_set, "base": base, "stage": stage, "minutes": minutes})

    def make() -> str:
        row = trainings.start(
            house, session, who, body.data_set, base=body.base or "", stage=body.stage, minutes=body.minutes
        )
        return row.id

    return seen(f"/teaching/trainings/{once(session, who, fresh, '/teaching/trainings', body, make)}")


@router.get("/{training_id}")
def one(request: Request, session: SessionDep, training_id: TrainingId, who: Reader) -> Response:
    """A training; the page looks again by itself while it runs."""
    context = training_context(session, who, trainings.find(session, training_id))
    answer = show(request, who, "teaching_training.html", context)
    if "hx-request" in request.headers and not context.is_open:
        answer.headers["HX-Refresh"] = "true"  # it has ended: other buttons stand on the page now
    return answer


@router.post("/{training_id}/stop")
def stop(session: SessionDep, training_id: TrainingId, who: Teacher) -> RedirectResponse:
    """Asks it to stop."""
    trainings.stop(session, who, trainings.find(session, training_id))
    session.commit()
    return seen(f"/teaching/trainings/{training_id}")


@router.post("/{training_id}/resume")
def resume(session: SessionDep, training_id: TrainingId, who: Teacher) -> RedirectResponse:
    """Goes on with it."""
    trainings.resume(session, who, trainings.find(session, training_id))
    session.commit()
    return seen(f"/teaching/trainings/{training_id}")


def training_context(session: Session, who: Caller, row: TrainingRow) -> TrainingContext:
    """One training, for one person."""
    is_stopping = row.state == "running" and "stop_at" in (row.process or {})
    is_lost = trainings.is_lost(row)
    words = WORDS[row.state]
    if is_stopping:
        words = "It stops at its next step."
    if is_lost:
        words = f"It has given no sign of life since {moment(row.seen_at or row.created_at)}."
    facts = [
        ("Set", row.data_set.name),
        ("Starts from", row.base),
        ("Trains", "the heads" if row.settings.get("stage") == "heads" else "the heads, then more of the network"),
        ("Asked for", moment(row.created_at)),
    ]
    times = (("Begun", moment(row.begun_at or row.created_at)), ("Took" if row.ended_at else "Runs for", _span(row)))
    made = row.model_id or ""
    if row.state != "done" or session.get(ModelRow, made) is None:
        made = ""
    return TrainingContext(
        id=row.id,
        state=row.state,
        words=words,
        said=row.said,
        is_open=row.state in ("waiting", "running"),
        is_stopping=is_stopping,
        stages=_stages(row),
        facts=tuple(facts),
        times=times if row.begun_at else (),
        model=made,
        may_stop=who.may("teaching:write") and row.state in ("waiting", "running") and not is_stopping,
        may_resume=who.may("teaching:write") and (row.state in ("stopped", "failed") or is_lost),
    )


def _stages(row: TrainingRow) -> tuple[StageView, ...]:
    names = [key for key, _ in STAGES]
    at = str(row.progress.get("stage", ""))
    here = names.index(at) if at in names else -1
    past = set(row.progress.get("past", ()))
    views = []
    for place, (key, title) in enumerate(STAGES):
        if key == "more" and row.settings.get("stage") != "more":
            continue
        if row.state == "done" or place < here or (key in past and place != here):
            views.append(StageView(title, "past", 0, 0, ""))
        elif place == here:
            done, of = (int(row.progress.get(name) or 0) for name in ("done", "of"))
            views.append(StageView(title, "now", done, of, str(row.progress.get("say") or "")))
        else:
            views.append(StageView(title, "ahead", 0, 0, ""))
    return tuple(views)


def _span(row: TrainingRow) -> str:
    minutes, seconds = divmod(round(((row.ended_at or now()) - (row.begun_at or now())).total_seconds()), 60)
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"
