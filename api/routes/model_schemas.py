"""What comes in and goes out about trainings and models as JSON, with examples of our own invention."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from wearvision_api.routes.schemas import Body, GradeName, Line, Moment, Page, Public, RecordId, Remark
from wearvision_api.teaching.trainings import MOST_MINUTES

MODEL_ID = r"^[a-z0-9][a-z0-9.-]{0,79}$"
ModelId = Annotated[str, StringConstraints(pattern=MODEL_ID)]
Stage = Literal["heads", "more"]


class TrainingCreate(Body):
    """Asks for a training on a frozen set."""

    data_set: Line = Field(description="Id or name of the set.")
    base: ModelId | None = Field(None, description="Model to start from; left out: the one in use.")
    stage: Stage = Field("heads", description="What is trained: the heads, or more of the network after them.")
    minutes: int | None = Field(None, ge=1, le=MOST_MINUTES, description="What the stage more may take at most.")
    seed: int = Field(1, ge=0, le=2**31 - 1)


class TrainingPublic(Public):
    """A training."""

    id: RecordId
    created_at: Moment
    by: str
    data_set: str
    base: str
    settings: dict[str, Any]
    state: Literal["waiting", "running", "stopped", "failed", "done"]
    progress: dict[str, Any] = Field(description="The newest line that it wrote: stage, done, of, say.")
    begun_at: Moment | None
    seen_at: Moment | None = Field(description="When it last gave a sign of life.")
    ended_at: Moment | None
    said: str = Field(description="Why it stopped or failed, in one sentence.")
    model: str | None = Field(description="Id of the model that it makes.")


class TrainingPage(Page):
    """A page of trainings, newest first."""

    items: list[TrainingPublic]


class ReasonCreate(Body):
    """Why a model is released, taken back, or put in the shadow."""

    reason: Remark = Field("", description="Needed, and from an administrator, to release against the gate.")


class ModelLine(Public):
    """A model, released with the program or made by this site."""

    id: str
    sha256: str = Field(description="Of its graph, as reports name it.")
    of_site: bool
    state: Literal["in use", "shadow", ""]
    since: Moment | None
    created_at: Moment | None
    base: str
    data_set: str
    training_id: RecordId | None
    erased: int = Field(description="Photos of its set that were erased since; it keeps what it learned.")
    gate: dict[str, Any] | None = Field(description="What the gate in force says, row by row.")


class TurnPublic(Public):
    """One change of the model in use or in the shadow."""

    kind: Literal["use", "shadow"]
    model: str
    back: bool
    by: str
    at: Moment
    reason: str


class ModelsPublic(Public):
    """All models, and which one grades."""

    in_use: str = Field(description="Id of the model that is wanted in use.")
    here: str = Field(description="Id of the model that the process which answers grades with.")
    shadow: str
    before: str | None = Field(description="What taking back leads to.")
    faults: dict[str, str] = Field(description="Why a wanted model cannot be loaded here, by use or shadow.")
    items: list[ModelLine]
    turns: list[TurnPublic]


class ModelPublic(ModelLine):
    """A model with its comparison and its card."""

    report: dict[str, Any]
    card: str


class DifferencePublic(Public):
    """A grade of which the shadow said something else."""

    grade_id: RecordId
    at: Moment
    part: str | None
    model: str
    before: GradeName | None
    after: GradeName | None
    after_part: str | None
    by_hand: GradeName | None = Field(description="What hand checks or an eye came to.")


class DifferencesPublic(Public):
    """What differs, the most dangerous first."""

    compared: int
    differ: int
    milder: int = Field(description="The shadow says serviceable where the model in use said replace.")
    stricter: int
    refused: int
    items: list[DifferencePublic]


TRAINING: dict[str, Any] = {
    "id": "3d6c2f0a-51f7-4e57-9d5c-0f3f5a0b7c21",
    "created_at": "2026-03-02T09:30:00Z",
    "by": "trainer-1",
    "data_set": "Yard, spring",
    "base": "mixed-2",
    "settings": {"stage": "heads", "minutes": None, "seed": 1},
    "state": "running",
    "progress": {"at": "2026-03-02T09:34:10Z", "stage": "features", "done": 120, "of": 300, "say": "photos looked at"},
    "begun_at": "2026-03-02T09:30:02Z",
    "seen_at": "2026-03-02T09:34:11Z",
    "ended_at": None,
    "said": "",
    "model": "site-yard-spring-1",
}
LINE: dict[str, Any] = {
    "id": "site-yard-spring-1",
    "sha256": "c7f31c3e037e9b27afaca11a6af3c7f3c9e5503ef2efdec015a1890643d34e38",
    "of_site": True,
    "state": "in use",
    "since": "2026-03-03T07:00:00Z",
    "created_at": "2026-03-02T09:44:00Z",
    "base": "mixed-2",
    "data_set": "Yard, spring",
    "training_id": TRAINING["id"],
    "erased": 0,
    "gate": {"id": "gate-1", "sha256": "0" * 64, "passed": True, "rows": []},
}
TURN: dict[str, Any] = {
    "kind": "use",
    "model": LINE["id"],
    "back": False,
    "by": "trainer-1",
    "at": "2026-03-03T07:00:00Z",
    "reason": "",
}
DIFFERENCE: dict[str, Any] = {
    "grade_id": "71b0f89e-5efd-4192-a894-4e83712af4bd",
    "at": "2026-03-02T11:00:00Z",
    "part": "coupler",
    "model": "mixed-2",
    "before": "replace",
    "after": "serviceable",
    "after_part": "coupler",
    "by_hand": None,
}
MODEL_EXAMPLES: dict[str, Any] = {
    "TrainingCreate": {"data_set": "Yard, spring", "stage": "heads"},
    "TrainingPublic": TRAINING,
    "TrainingPage": {"items": [TRAINING], "next": None},
    "ReasonCreate": {"reason": "The one miss is a wrong label; seen again by two people."},
    "ModelsPublic": {
        "in_use": LINE["id"],
        "here": LINE["id"],
        "shadow": "",
        "before": "mixed-2",
        "faults": {},
        "items": [LINE],
        "turns": [TURN],
    },
    "ModelPublic": LINE | {"report": {}, "card": "# site-yard-spring-1"},
    "DifferencesPublic": {
        "compared": 214,
        "differ": 31,
        "milder": 1,
        "stricter": 4,
        "refused": 2,
        "items": [DIFFERENCE],
    },
}
