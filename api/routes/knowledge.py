"""What holds without any record: hand checks, causes, cautions, who is asking."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import Field

from wearvision.faults import ADVICE, COURSES, FitnessLimits
from wearvision.readings import OPEN, UNITS
from wearvision.standard import CAUTIONS, DEFERENCE
from wearvision.standard.checks import Answer, Check
from wearvision_api.deps import CallerDep, HouseDep
from wearvision_api.routes.schemas import PartName, Public

router = APIRouter(tags=["knowledge"])


class ChecksPublic(Public):
    """Hand checks with all that is needed to read them off without a link."""

    checks: list[dict[str, Any]]
    cautions: list[str]
    units: dict[str, dict[str, float]] = Field(description="A check's unit to those that may be entered, with size.")
    open: list[str] = Field(description="Words that stand for an open circuit.")


class FitnessPublic(Public):
    """What a fit photo keeps to, and what mends one that does not."""

    limits: dict[str, float] = Field(description="By name, as the library uses them.")
    advice: dict[str, str] = Field(description="By fault; ``{value}``, ``{limit}``, ``{course}`` are filled in.")
    courses: list[str] = Field(description="Words for a shake's direction, from 0 degrees in steps of 45.")


class MePublic(Public):
    """Who is asking."""

    id: str
    name: str
    role: str


@router.get("/checks", response_model=ChecksPublic, summary="Hand checks")
def checks(
    house: HouseDep, who: CallerDep, part: Annotated[PartName | None, Query(description="Of one part only.")] = None
) -> ChecksPublic:
    """Steps, cautions, expected readings and what each outcome says; bands run from ``low`` up to below ``high``."""
    rows = [row for row in house.checks.rows.values() if part is None or row.part == part]
    cautions = [DEFERENCE, *CAUTIONS]
    return ChecksPublic(checks=[_check(row) for row in rows], cautions=cautions, units=UNITS, open=sorted(OPEN))


@router.get("/fitness", response_model=FitnessPublic, summary="What a fit photo keeps to")
def fitness(who: CallerDep) -> FitnessPublic:
    """Limits and advice for a check at the moment of capture, before there is a link."""
    return FitnessPublic(
        limits=asdict(FitnessLimits()), advice={str(kind): text for kind, text in ADVICE.items()}, courses=list(COURSES)
    )


@router.get("/me", response_model=MePublic, summary="Who is asking")
def me(who: CallerDep) -> MePublic:
    """The account that the request speaks for."""
    return MePublic(id=who.id, name=who.name, role=who.role)


def _check(row: Check) -> dict[str, Any]:
    plain = row.to_dict() | {"part": row.part, "grades": list(row.grades)}
    if row.reading is not None:
        plain["reading"] |= {
            "required": row.reading.required,
            "answers": [_answer(answer) for answer in row.reading.answers],
        }
    return plain


def _answer(answer: Answer) -> dict[str, Any]:
    """Without bounds where there are none: JSON has no infinity."""
    plain: dict[str, Any] = {"says": answer.says, "text": answer.text}
    if answer.high > answer.low:
        plain["low"] = answer.low
        plain["high"] = None if answer.high == float("inf") else answer.high
    if answer.word:
        plain["word"] = answer.word
    if answer.code is not None:
        plain["flashes"] = answer.code
    return plain
