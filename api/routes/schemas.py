"""What comes in and goes out as JSON: ``…Create`` and ``…Update`` in, ``…Public`` out."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import Query, Response
from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, StringConstraints

from wearvision.parts import PARTS
from wearvision_api.store.once import Answer
from wearvision_api.store.paging import MOST

UUID_FORM = r"^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"
RecordId = Annotated[str, StringConstraints(pattern=UUID_FORM)]
PartName = Literal["flame_cell", "electrode", "coupler"]
GradeName = Literal["serviceable", "clean-and-reuse", "replace"]
Purpose = Literal["as-removed", "after-wiping", "as-installed", "other"]
# A NUL byte is no text for PostgreSQL; a lone surrogate is refused by pydantic itself.
Line = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200, pattern=r"^[^\x00-\x1f]+$")
]
Remark = Annotated[str, StringConstraints(strip_whitespace=True, max_length=4000, pattern=r"^[^\x00]*$")]
Moment = Annotated[datetime, PlainSerializer(lambda value: value.isoformat().replace("+00:00", "Z"), return_type=str)]

if set(PARTS) != {"flame_cell", "electrode", "coupler"}:
    raise RuntimeError("PartName and the registry of parts differ")


class Body(BaseModel):
    """Of all request bodies: unknown members are refused, so that a typing error is not lost."""

    model_config = ConfigDict(extra="forbid")


class Public(BaseModel):
    """Of all answers."""

    model_config = ConfigDict(from_attributes=True)

    def plain(self) -> dict[str, Any]:
        """As it is stored for a retry and sent."""
        return self.model_dump(mode="json")


class PhotoPublic(Public):
    """A photo's record."""

    id: RecordId
    sha256: str
    media_type: str
    bytes: int
    width: int = Field(description="Pixels, upright.")
    height: int
    taken_at: str | None = Field(description="What the camera says, its local time without zone.")
    purpose: Purpose
    created_at: Moment
    erased_at: Moment | None = Field(None, description="When its bytes were erased on a lawful request.")


class GradeCreate(Body):
    """Grades photos of one part."""

    id: RecordId | None = Field(None, description="Chosen by the caller, for work without a link.")
    photos: list[RecordId] = Field(min_length=1, max_length=8)
    part: PartName | None = Field(None, description="The part if it is known; else it is recognised.")
    reference: RecordId | None = Field(None, description="Photo of the same part as installed.")
    inspection: RecordId | None = None


class ReadingCreate(Body):
    """A hand check's reading: a number, a text such as ``"1.65 kohm"``, a word of the check, or flashes."""

    id: RecordId | None = None
    check: Line
    value: float | Line | dict[str, float | Line]
    unit: Annotated[str, StringConstraints(max_length=10, pattern=r"^[^\x00-\x1f]*$")] = ""


class ReadingPublic(Public):
    """A reading with what it says."""

    id: RecordId
    check: str
    value: Any
    unit: str
    says: str
    text: str
    entered: str
    created_at: Moment


class OverrideUpdate(Body):
    """A grade by eye, with the reason."""

    grade: GradeName
    reason: Annotated[Remark, StringConstraints(min_length=3)]


class OutcomeUpdate(Body):
    """What was done with the part."""

    done: Literal["refitted", "cleaned and refitted", "replaced"]
    note: Remark = ""


class WipingUpdate(Body):
    """The photo after wiping."""

    after: RecordId


class WantedPublic(Public):
    """A hand check that is asked for."""

    why: Literal["doubt", "worn", "drawn"]
    reason: str = Field(description="One sentence for a person.")
    checks: list[str] = Field(description="Ids of the hand checks still to be done; none once a verdict holds.")
    chance: float = Field(ge=0, le=1, description="How likely it was to be asked for; rates are weighted by it.")


class GradePublic(Public):
    """What photos of a part came to, and what followed."""

    id: RecordId
    created_at: Moment
    by: str
    photos: list[RecordId]
    reference: RecordId | None
    inspection: RecordId | None
    part: PartName | None
    grade: GradeName | None = Field(description="What the photos show.")
    standing: str = Field(description="photo only, confirmed, overridden, contradicted, or overridden by eye.")
    holds: GradeName | None = Field(description="The grade that now holds.")
    report: dict[str, Any]
    readings: list[ReadingPublic]
    verdict: dict[str, Any] | None
    wiping: dict[str, Any] | None
    override: dict[str, Any] | None
    outcome: dict[str, Any] | None
    asked: WantedPublic | None = Field(None, description="The hand check asked for; null where none is.")
    pictures: int = Field(description="How many pictures there are under /pictures/0 and on.")


class Page(Public):
    """A page of records."""

    next: str | None = Field(description="Cursor of the next page; null on the last.")


class GradePage(Page):
    """A page of grades, newest first."""

    items: list[GradePublic]


Cursor = Annotated[str, Query(max_length=200, description="From the page before.")]
Limit = Annotated[int, Query(ge=1, le=MOST)]


def sent(answer: Answer, location: str = "") -> Response:
    """A fresh or replayed answer; ``Idempotency-Replayed`` tells which."""
    headers = {"Idempotency-Replayed": "true"} if answer.replayed else {}
    if location:
        headers["Location"] = location
    return Response(json.dumps(answer.body, allow_nan=False), answer.status, headers, "application/json")
