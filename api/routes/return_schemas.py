"""What comes in and goes out at the returns desk as JSON."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, StringConstraints

from wearvision_api.routes.schemas import Body, Line, Moment, Page, PartName, Public, RecordId, Remark

ONE_LINE = r"^[^\x00-\x1f]*$"
Short = Annotated[str, StringConstraints(strip_whitespace=True, max_length=60, pattern=ONE_LINE)]
Name = Annotated[str, StringConstraints(strip_whitespace=True, max_length=120, pattern=ONE_LINE)]
Reason = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=4000, pattern=r"^[^\x00]*$")]
Hours = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False, description="What the hour meter reads.")]
Currency = Annotated[str, StringConstraints(pattern=r"^([A-Z]{3})?$")]
Claimed = Literal["", "service-wear", "dirt", "heat", "handling", "defect"]
State = Literal["gathering", "second person", "decided", "objected"]
Outcome = Literal["accept", "decline"]
KEY = r"^[a-z][a-z0-9:_-]{0,59}$"
Key = Annotated[str, StringConstraints(pattern=KEY)]


class _Claim(Body):
    """What a claim says; all but the part may follow later."""

    part_number: Short | None = None
    lot: Short | None = None
    serial: Short | None = None
    machine_id: RecordId | None = Field(None, description="A machine on record.")
    machine: Annotated[str, StringConstraints(strip_whitespace=True, max_length=80, pattern=ONE_LINE)] | None = Field(
        None, description="The machine's identifier as the claimant gives it."
    )
    hours_installed: Hours | None = None
    hours_failed: Hours | None = None
    hours_last_good: Hours | None = Field(None, description="Hour meter when the part was last found good.")
    installed_on: date | None = None
    failed_on: date | None = None
    returned_on: date | None = None
    claimant: Name | None = None
    story: Remark | None = None
    claimed: Claimed | None = Field(None, description="Class of cause that the claimant holds for right.")
    value_minor: int | None = Field(
        None, ge=0, le=2**31 - 1, description="Value of the claim in the currency's smallest unit."
    )
    currency: Currency | None = Field(None, description="Three letters after ISO 4217.")
    kept_where: Name | None = None
    kept_until: date | None = None
    may_teach: bool | None = Field(None, description="Whether the claimant lets the photos be used to teach.")


class ReturnCreate(_Claim):
    """Takes a claim in."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "part": "coupler",
                    "part_number": "C-8",
                    "lot": "26-11",
                    "machine": "H-07",
                    "hours_installed": 1200,
                    "hours_failed": 1260.5,
                    "installed_on": "2026-01-10",
                    "failed_on": "2026-02-20",
                    "claimant": "Workshop north",
                    "story": "Burner runs, no fuel pressure.",
                    "value_minor": 4250,
                    "currency": "EUR",
                }
            ]
        }
    )
    id: RecordId | None = Field(None, description="Chosen by the caller.")
    part: PartName


class ReturnUpdate(_Claim):
    """Corrects a claim; what is left out stays, null empties a date, number or hour."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"lot": "26-12", "kept_where": "Shelf 4, box 2"}]})
    part: PartName | None = None


class EvidencePublic(Public):
    """A photo of a return."""

    id: RecordId
    photo: RecordId | None = Field(description="null once it was erased on a lawful request.")
    sha256: str
    view: str
    tag: dict[str, Any] | None = Field(description="What the return tag in the photo says.")
    created_at: Moment


class CounterReadingCreate(Body):
    """A reading at the counter: the fields that the check asks for."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"check": "coupler-fit", "values": {"reading": "slides on"}}]}
    )
    id: RecordId | None = None
    check: Line
    values: dict[Key, Annotated[str, StringConstraints(max_length=60, pattern=ONE_LINE)]] = Field(max_length=12)


class CounterReadingPublic(Public):
    """A reading with what it says."""

    id: RecordId
    check: str
    values: dict[str, str]
    finding: dict[str, Any]
    by: str
    created_at: Moment


class WantedPublic(Public):
    """Something that is not there."""

    key: str
    title: str
    reason: str = Field(description="Why it can be done without; empty: nobody has said.")
    by: str


class WaiverCreate(Body):
    """Why a decision can be made without something."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"item": "view:plate", "reason": "The plate was cut off with the old frame."}]}
    )
    item: Key
    reason: Reason


class SettleCreate(Body):
    """What looking came to."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"text": "The same bench on the same day; two parts."}]})
    text: Reason


class FlagPublic(Public):
    """Something that a person must look at."""

    id: RecordId
    kind: str
    evidence: RecordId | None = Field(description="Which of this return's photos.")
    other_evidence: RecordId | None
    other_return: RecordId | None
    reason: str
    settled: dict[str, Any] | None
    created_at: Moment


class DecideCreate(Body):
    """A person's decision."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"outcome": "accept", "reason": "Cracked at 60 hours, no sign of heat."}]}
    )
    outcome: Outcome
    reason: Reason


class SignCreate(Body):
    """The second person's word."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"agrees": True, "reason": "I see the crack and no burn."}]}
    )
    agrees: bool
    reason: Reason


class ObjectionCreate(Body):
    """The claimant does not agree."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"text": "The pump turned freely; see the visit.", "received_on": "2026-03-09"}]
        }
    )
    id: RecordId | None = None
    text: Reason
    received_on: date


class DecisionPublic(Public):
    """A decision beside what was proposed."""

    id: RecordId
    attempt: int
    proposal: dict[str, Any]
    outcome: Outcome
    reason: str
    by: str
    at: Moment
    needs_second: bool
    standing: Literal["waiting", "final", "not agreed"]
    second: str | None
    second_at: Moment | None
    second_reason: str


class ObjectionPublic(Public):
    """An objection, and who opened the return again for it."""

    id: RecordId
    decision: RecordId
    text: str
    received_on: date
    taken_at: Moment | None


class WeighedPublic(Public):
    """What is found, what is missing, and what the policy proposes; nothing of it is a decision."""

    model_config = ConfigDict(from_attributes=True, extra="allow")
    missing: list[WantedPublic]
    findings: list[dict[str, Any]]
    proposal: dict[str, Any]


class ReturnPublic(Public):
    """A return with all that was put to it."""

    id: RecordId
    number: str
    created_at: Moment
    by: str
    state: State
    doubt: float = Field(ge=0, le=1)
    part: PartName
    part_number: str
    lot: str
    serial: str
    machine_id: RecordId | None
    machine: str
    hours_installed: float | None
    hours_failed: float | None
    hours_last_good: float | None
    installed_on: date | None
    failed_on: date | None
    returned_on: date
    claimant: str
    story: str
    claimed: Claimed
    value_minor: int | None
    currency: str
    kept_where: str
    kept_until: date | None
    grade: RecordId | None
    photos: list[EvidencePublic]
    readings: list[CounterReadingPublic]
    missing: list[WantedPublic]
    flags: list[FlagPublic]
    decisions: list[DecisionPublic]
    objections: list[ObjectionPublic]
    closed_at: Moment | None


class ReturnPage(Page):
    """A page of returns, newest first."""

    items: list[ReturnPublic]
