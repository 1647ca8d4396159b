"""What machines and inspections look like as JSON."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, AwareDatetime, ConfigDict, Field, StringConstraints

from wearvision_api.routes.schemas import (
    Body,
    GradePublic,
    Line,
    Moment,
    Page,
    PartName,
    PhotoPublic,
    Public,
    RecordId,
    Remark,
)

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
AHEAD = timedelta(days=1)
"""A phone's clock may be wrong by this much."""


def _plausible(value: datetime) -> datetime:
    if not EARLIEST <= value <= datetime.now(UTC) + AHEAD:
        raise ValueError("the moment must lie after the year 2000 and not in the future")
    return value.astimezone(UTC)


Begun = Annotated[AwareDatetime, AfterValidator(_plausible)]
Hours = Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False, description="Reading of the hour meter, h.")]
Identifier = Annotated[Line, StringConstraints(max_length=80)]
MeterReason = Annotated[
    Remark, Field(description="Why the hour meter reads less than before, such as 'meter replaced'.")
]
Finding = Literal["ruled out", "found", "not looked at"]
ID = "4b1f0c1e-6f0a-4a7e-9d0e-2f5b8a6c3d10"


def _example(**members: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [members]})


class MachineCreate(Body):
    """A machine under its owner's own identifier."""

    model_config = Body.model_config | _example(identifier="H-07", description="Heater on the trailer", hours=1210)

    id: RecordId | None = None
    identifier: Identifier
    description: Remark = ""
    hours: Hours | None = None
    interval_hours: int | None = Field(None, ge=1, le=100_000, description="Between services; null: the default.")
    interval_days: int | None = Field(None, ge=1, le=36_500, description="Between services; null: the default.")
    notes: Remark = ""


class MachineUpdate(Body):
    """Changes; what is left out stays."""

    model_config = Body.model_config | _example(hours=1320.5, notes="Stands in the yard")

    identifier: Identifier | None = None
    description: Remark | None = None
    hours: Hours | None = None
    meter_reason: MeterReason = ""
    corrects: bool = Field(False, description="The hours put the newest reading right, which was mistyped.")
    interval_hours: int | None = Field(None, ge=1, le=100_000)
    interval_days: int | None = Field(None, ge=1, le=36_500)
    notes: Remark | None = None


class ReferenceUpdate(Body):
    """The photo of a part as installed."""

    model_config = Body.model_config | _example(photo=ID)

    photo: RecordId


class ReferencePublic(Public):
    """A part's photo as installed."""

    part: PartName
    photo: RecordId
    kept_at: Moment


class MachinePublic(Public):
    """A machine."""

    id: RecordId
    created_at: Moment
    identifier: str
    description: str
    hours: float | None = Field(description="Newest reading of the hour meter.")
    running_hours: float | None = Field(description="With the hours of meters that were replaced.")
    interval_hours: int
    interval_days: int
    notes: str
    references: list[ReferencePublic]


class MachinePage(Page):
    """A page of machines, newest first."""

    items: list[MachinePublic]


class DuePublic(Public):
    """When the next service is due."""

    state: Literal["unknown", "not due", "due"]
    on: str | None = Field(description="Date by the interval in days.")
    at_hours: float | None = Field(description="Hour meter at the next service.")
    hours_left: float | None
    days_left: float | None
    first: Literal["hours", "date"] | None = Field(description="Which comes first.")
    expected: str | None = Field(description="The day that comes first, at the pace so far.")
    reason: str


class PointPublic(Public):
    """A value at a visit."""

    inspection: RecordId
    grade: RecordId
    at: str
    hours: float = Field(description="Running hours.")
    value: float
    low: float
    high: float


class ProjectionPublic(Public):
    """Running hours at which the limit is reached."""

    hours: float
    earliest: float
    latest: float
    level: float


class SeriesPublic(Public):
    """A measure of a part from its fitting or cleaning on."""

    part: PartName
    measure: str
    mode: str
    unit: str
    began: Literal["first visit", "replaced", "cleaned"]
    ended: str
    limit: float
    limit_grade: str
    points: list[PointPublic]
    projection: ProjectionPublic | None
    reason: str = Field(description="Why there is no projection.")


class HistoryPublic(Public):
    """How a machine's parts have worn."""

    machine: RecordId
    running_hours: float | None
    series: list[SeriesPublic]


class InspectionCreate(Body):
    """Opens a visit."""

    model_config = Body.model_config | _example(machine=ID, hours=1320.5)

    id: RecordId | None = None
    machine: RecordId
    begun_at: Begun | None = Field(None, description="Null: now.")
    hours: Hours | None = None
    meter_reason: MeterReason = ""
    notes: Remark = ""


class InspectionUpdate(Body):
    """Corrections; hours can be put right after closing, too."""

    model_config = Body.model_config | _example(hours=1302.5)

    hours: Hours | None = None
    meter_reason: MeterReason = ""
    notes: Remark | None = None


class SettingCreate(Body):
    """A setting measured."""

    model_config = Body.model_config | _example(name="electrode gap", value=3.2, unit="mm")

    id: RecordId | None = None
    name: Line
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: Annotated[str, StringConstraints(strip_whitespace=True, max_length=20, pattern=r"^[^\x00-\x1f]*$")] = ""


class CauseCreate(Body):
    """A cause looked at."""

    model_config = Body.model_config | _example(cause="Pump turns hard", finding="ruled out", note="Turns freely.")

    id: RecordId | None = None
    cause: Line
    finding: Finding
    note: Remark = ""


class PartUsedCreate(Body):
    """A part used."""

    model_config = Body.model_config | _example(part="coupler", description="Drive coupler, short", quantity=1)

    id: RecordId | None = None
    part: PartName | None = Field(None, description="Null for anything else, such as a nozzle or a filter.")
    description: Line
    quantity: Annotated[float, Field(gt=0, le=10_000, allow_inf_nan=False)] = 1


class CloseCreate(Body):
    """Ends a visit."""

    model_config = Body.model_config | _example(service=True)

    service: bool = Field(True, description="Whether it was the service from which the next one is reckoned.")


class LinePublic(Public):
    """A line of an inspection."""

    id: RecordId
    created_at: Moment


class SettingPublic(LinePublic):
    """A setting measured."""

    name: str
    value: float
    unit: str


class CausePublic(LinePublic):
    """A cause looked at."""

    cause: str
    finding: Finding
    note: str


class PartUsedPublic(LinePublic):
    """A part used."""

    part: PartName | None
    description: str
    quantity: float


class InspectionPublic(Public):
    """A visit."""

    id: RecordId
    created_at: Moment
    by: str
    machine: RecordId
    begun_at: Moment
    closed_at: Moment | None
    hours: float | None
    serviced: bool
    notes: str
    grades: list[RecordId]
    settings: list[SettingPublic]
    causes: list[CausePublic]
    parts_used: list[PartUsedPublic]


class InspectionPage(Page):
    """A page of inspections, newest first."""

    items: list[InspectionPublic]


class WalkStep(Body):
    """The answer to one check."""

    check: Line
    answer: float | Line | dict[str, float | Line] = Field(
        description="A word of the check, a number in its unit, a text with a unit, or value and unit."
    )


class WalkCreate(Body):
    """A path walked from a symptom."""

    model_config = Body.model_config | _example(start="dead", steps=[{"check": "chamber", "answer": "dry"}])

    id: RecordId | None = None
    start: Line
    inspection: RecordId | None = None
    steps: list[WalkStep] = Field(min_length=1, max_length=100)


class WalkStepPublic(Public):
    """A check as it was answered, with what that meant."""

    check: str
    answer: Any
    title: str
    entered: str
    says: str
    text: str
    leads_to: str
    note: str
    photograph: PartName | None
    setting: dict[str, Any] | None


class WalkPublic(Public):
    """A path walked."""

    id: RecordId
    created_at: Moment
    start: str
    title: str
    inspection: RecordId | None
    steps: list[WalkStepPublic]
    end: dict[str, Any] | None = Field(description="Where it came to; null while it goes on.")


class StartsPublic(Public):
    """All that a walk needs, so that it can be walked without a link."""

    starts: list[dict[str, Any]]
    checks: list[dict[str, Any]]
    ends: list[dict[str, Any]]
    pairs: list[dict[str, Any]]
    cautions: list[str]


class InspectionExport(Public):
    """A visit with all that belongs to it; photos are named by hash, their bytes are fetched by id."""

    model_config = ConfigDict(extra="forbid")

    format: Literal["wearvision-inspection-1"] = "wearvision-inspection-1"
    exported_at: Moment
    machine: MachinePublic
    due: DuePublic
    inspection: InspectionPublic
    grades: list[GradePublic]
    photos: list[PhotoPublic]
    walks: list[WalkPublic]
