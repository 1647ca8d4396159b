"""What doubted labels look like as JSON."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from wearvision_api.routes.schemas import GradeName, Moment, PartName, Public, RecordId


class DoubtOpinion(Public):
    """What the model in use says of the photo, when it was not taught with it."""

    model: str
    grade: GradeName | None
    possible_grades: list[GradeName]


class DoubtPublic(Public):
    """A settled grade that a model taught without it strongly doubts."""

    example: RecordId
    photo: RecordId
    part: PartName
    found_at: Moment
    quality: float = Field(description="Probability of the settled grade, 0 to 1.")
    label: GradeName = Field(description="The settled grade.")
    likelier: GradeName
    probabilities: dict[str, float]
    opinion: DoubtOpinion | None
    shared: bool = Field(description="Whether the model in use holds the settled grade for impossible, too.")
    answered_at: Moment | None


class DoubtList(Public):
    """Doubts that nobody has answered."""

    items: list[DoubtPublic]


class LookedPublic(Public):
    """What was looked at of one part."""

    part: PartName
    of: int = Field(description="Settled grades that were looked at.")
    doubted: int
    remarks: list[str] = Field(description="What could not be looked at, and why.")


class DoubtsFound(Public):
    """What a search came to."""

    doubts: list[RecordId] = Field(description="Examples doubted anew.")
    parts: list[LookedPublic] = Field(description="Empty while photos are left.")
    left: int = Field(description="Photos still to be looked at: send the request again.")
    unreadable: list[str] = Field(description="SHA-256 of photos that cannot be read.")


_EXAMPLE_ID = "8c9a3f52-0d5e-4f6c-9a0e-4a2c4b8d6e11"
DOUBT: dict[str, Any] = {
    "example": _EXAMPLE_ID,
    "photo": "2843c747-7926-4a1b-98a9-54a99d32d7e8",
    "part": "flame_cell",
    "found_at": "2026-03-02T09:30:00Z",
    "quality": 0.04,
    "label": "serviceable",
    "likelier": "replace",
    "probabilities": {"clean-and-reuse": 0.15, "replace": 0.81, "serviceable": 0.04},
    "opinion": {"model": "mixed-2", "grade": "replace", "possible_grades": ["clean-and-reuse", "replace"]},
    "shared": True,
    "answered_at": None,
}
DOUBT_EXAMPLES: dict[str, Any] = {
    "DoubtPublic": DOUBT,
    "DoubtList": {"items": [DOUBT]},
    "DoubtsFound": {
        "doubts": [_EXAMPLE_ID],
        "parts": [{"part": "flame_cell", "of": 84, "doubted": 1, "remarks": []}],
        "left": 0,
        "unreadable": [],
    },
}
