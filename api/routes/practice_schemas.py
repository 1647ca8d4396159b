"""What practice looks like as JSON."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, model_validator

from wearvision.parts import PARTS
from wearvision_api.routes.agreement_schemas import FigurePublic
from wearvision_api.routes.schemas import Body, GradeName, Moment, PartName, Public, RecordId
from wearvision_api.teaching.marking import NO_WEAR
from wearvision_api.teaching.practice import COUNT, MOST
from wearvision_api.teaching.where import PLACES

ShownPart = Literal["flame_cell", "electrode", "coupler", "none"]
Ninth = Literal["upper left", "top", "upper right", "left", "middle", "right", "lower left", "bottom", "lower right"]
MODES = (NO_WEAR, *dict.fromkeys(mode.key for spec in PARTS.values() for mode in spec.modes))


class SittingCreate(Body):
    """A round of practice."""

    id: RecordId | None = None
    part: PartName | None = Field(None, description="Of this part only; null: of all.")
    count: int = Field(COUNT, ge=1, le=MOST, description="Questions; fewer where there are not as many examples.")


class AnswerCreate(Body):
    """What somebody says of a photo."""

    part: ShownPart
    fit: bool = True
    grade: GradeName | None = Field(None, description="Null where there is none to give.")
    mode: str | None = Field(None, max_length=40, description="Worst wear mode, 'none' for no wear that counts.")
    where: Ninth | None = Field(None, description="A ninth of the picture in which the wear lies.")

    @model_validator(mode="after")
    def _known(self) -> AnswerCreate:
        if self.mode is not None and self.mode not in MODES:
            raise ValueError(f"mode: one of {', '.join(MODES)}")
        return self


class MarkedPublic(Public):
    """A question with what was said and what is right."""

    said: Any
    true: list[Any] = Field(description="Every right answer.")
    right: bool | None = Field(description="Null: not answered.")


class MissedPublic(Public):
    """Wear that the photo shows, in the words of the wear standard."""

    mode: str
    title: str
    grade: GradeName = Field(description="The grade that it surely reaches.")
    named: bool = Field(description="Whether the answer named it.")
    where: list[Ninth] = Field(description="Where it is drawn; empty where nobody drew it.")
    standard: str


class FeedbackPublic(Public):
    """A question; with its answer once there is one."""

    sitting: RecordId
    place: int = Field(description="Counted from 1.")
    of: int
    state: Literal["open", "answered", "gone"] = Field(description="gone: the photo was taken out of teaching.")
    right: bool | None
    marked: dict[str, MarkedPublic]
    wear: list[MissedPublic]
    faults: list[str] = Field(description="What makes the photo unfit.")
    drawn: list[str] = Field(description="What is drawn over the photo, in words.")


class SittingPublic(Public):
    """A sitting and how it came out."""

    id: RecordId
    person: str
    at: Moment
    part: PartName | None
    asked: int
    answered: int
    right: int
    kappa: FigurePublic
    next: int | None = Field(None, description="The place that waits for an answer; null when it is over.")


class ProgressPublic(Public):
    """Results of one person, oldest first."""

    person: str
    results: list[SittingPublic]
    kappa: FigurePublic


class PracticeResults(Public):
    """Results by person."""

    items: list[ProgressPublic]


if set(PLACES) != set(Ninth.__args__):  # type: ignore[attr-defined]
    raise TypeError("the places of an answer are those of the picture")

_SITTING_ID = "0b7a1f3e-6f0f-4c0c-8d35-5a8a3e0c7d21"
_KAPPA = {"value": 0.78, "low": 0.42, "high": 1.0, "of": 9, "reason": "", "note": "Only 9 examples: a rough figure."}
_SITTING: dict[str, Any] = {
    "id": _SITTING_ID,
    "person": "van-2",
    "at": "2026-03-02T09:30:00Z",
    "part": None,
    "asked": 10,
    "answered": 10,
    "right": 8,
    "kappa": _KAPPA,
    "next": None,
}
PRACTICE_EXAMPLES: dict[str, Any] = {
    "SittingCreate": {"part": "flame_cell", "count": 10},
    "AnswerCreate": {"part": "flame_cell", "fit": True, "grade": "replace", "mode": "crack", "where": "upper right"},
    "FeedbackPublic": {
        "sitting": _SITTING_ID,
        "place": 1,
        "of": 10,
        "state": "answered",
        "right": True,
        "marked": {"grade": {"said": "replace", "true": ["replace"], "right": True}},
        "wear": [
            {
                "mode": "crack",
                "title": "cracked window",
                "grade": "replace",
                "named": True,
                "where": ["upper right"],
                "standard": "A fine line in the window that breaks what is mirrored in it.",
            }
        ],
        "faults": [],
        "drawn": ["Longest crack, without its branches: upper right, 12% of the picture wide and 9% high."],
    },
    "SittingPublic": _SITTING,
    "PracticeResults": {"items": [{"person": "van-2", "results": [_SITTING], "kappa": _KAPPA}]},
}
