"""What is said of how often the photo was right, as JSON."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import Query
from pydantic import Field

from wearvision_api.routes.schemas import GradeName, Moment, PartName, Public

PartWanted = Annotated[
    Literal["", "flame_cell", "electrode", "coupler"], Query(description="Only this part; empty: all.")
]
SinceWanted = Annotated[
    Literal["year", "model", "all"],
    Query(description="Grades of the last 365 days, of the model in use, or all since checks are asked for."),
]
GradeWanted = Annotated[GradeName, Query(description="Of the picture over time.")]
EveryWanted = Annotated[Literal["month", "quarter"], Query(description="Steps of the picture over time, UTC.")]


class SharePublic(Public):
    """A share with what it stands on."""

    value: float | None = Field(description="0 to 1, weighted by the chance of being asked; null: cannot be said.")
    low: float | None = Field(description="Lower end of the 95 % interval.")
    high: float | None
    least: float | None = Field(description="Were none of the checks borne out that did not come back.")
    most: float | None = Field(description="Were all of them.")
    unweighted: float | None = Field(description="Of those that came back, not weighted.")
    asked: int
    answered: int
    held: int
    effective: float = Field(description="Size of a simple random sample that would be as sure.")
    reason: str = Field(description="Why value is null; else empty.")


class TotalPublic(Public):
    """All parts asked for that got one grade."""

    grade: GradeName
    share: SharePublic


class GradeLinePublic(Public):
    """Photos of one part that got one grade."""

    part: PartName
    grade: GradeName
    grades: int
    share: SharePublic
    confirmed: int
    overridden: int = Field(description="The hand check found it worse than the photo.")
    contradicted: int = Field(description="It found it better.")
    by_eye: int = Field(description="Graded by eye; counted apart.")
    by_eye_other: int = Field(description="Of these, with another grade than the photo's.")
    unasked: int = Field(description="Settled by checks that nobody had asked for; not in the share.")


class CheckLinePublic(Public):
    """One hand check beside what the photo said of the modes that it decides."""

    part: PartName
    check: str
    title: str
    modes: list[str]
    share: SharePublic
    worse: int
    better: int


class PeriodPublic(Public):
    """A month or quarter."""

    name: str
    begins: date
    ends: date = Field(description="The first day after it.")
    grades: int
    share: SharePublic


class ModelLinePublic(Public):
    """Grades of one model."""

    model: str
    first: Moment
    last: Moment
    grades: int
    confirmed: SharePublic
    promise: SharePublic = Field(description="Share whose possible grades held the one found by hand.")


class TurnPublic(Public):
    """A model that came into use; empty: that of the settings."""

    model: str
    at: Moment


class TrustPublic(Public):
    """How often hand checks bore the photo out."""

    since: Moment | None
    grades: int
    totals: list[TotalPublic]
    lines: list[GradeLinePublic]
    checks: list[CheckLinePublic]
    promise: SharePublic = Field(description="Share whose possible grades held the one found by hand.")
    stated: float | None = Field(description="The rate at which they should.")
    periods: list[PeriodPublic]
    models: list[ModelLinePublic]
    turns: list[TurnPublic]
    model: str = Field(description="In use.")
    share: float = Field(description="Of sure serviceables whose check is asked for by chance.")


class ComparedPublic(Public):
    """One number beside what it was."""

    kind: Literal["photos", "checks"]
    what: str
    part: str = Field(description="Empty: all parts.")
    first: int
    newest: int
    before: float
    after: float
    p: float
    p_holm: float
    alarm: bool


class LookPublic(Public):
    """One weekly look."""

    at: Moment
    tests: list[ComparedPublic]
    untested: list[str]


class DriftPublic(Public):
    """Whether photos or checks have changed since the model came into use."""

    model: str
    grades: int
    newest: LookPublic | None = Field(description="Null: too early to look.")
    raised: list[LookPublic] = Field(description="Looks of the last 13 weeks that raised an alarm, newest first.")
    false_alarms_a_year: float = Field(description="Chance of any false alarm in a year of weekly looks, at most.")


_SHARE: dict[str, Any] = {
    **{"value": 0.9564, "low": 0.9133, "high": 0.9785, "least": 0.7934, "most": 0.9638, "unweighted": 0.8462},
    **{"asked": 108, "answered": 91, "held": 77, "effective": 163.6, "reason": ""},
}
_AT = "2026-03-02T00:00:00Z"
_LOOK: dict[str, Any] = {
    "at": _AT,
    "tests": [
        {
            **{"kind": "photos", "what": "brightness", "part": "coupler", "first": 120, "newest": 84},
            **{"before": 0.47, "after": 0.22, "p": 1.2e-9, "p_holm": 2.3e-8, "alarm": True},
        }
    ],
    "untested": ["Checks of replace: 31 and 12 came back, 20 each are needed."],
}
TRUST_EXAMPLES: dict[str, Any] = {
    "TrustPublic": {
        "since": _AT,
        "grades": 412,
        "totals": [{"grade": "serviceable", "share": _SHARE}],
        "lines": [
            {
                **{"part": "coupler", "grade": "serviceable", "grades": 301, "share": _SHARE, "confirmed": 77},
                **{"overridden": 14, "contradicted": 0, "by_eye": 3, "by_eye_other": 1, "unasked": 2},
            }
        ],
        "checks": [
            {
                **{"part": "coupler", "check": "coupler-wipe", "title": "Wipe the coupler", "modes": ["grime"]},
                **{"share": _SHARE, "worse": 14, "better": 0},
            }
        ],
        "promise": _SHARE,
        "stated": 0.95,
        "periods": [{"name": "2026-02", "begins": "2026-02-01", "ends": "2026-03-01", "grades": 301, "share": _SHARE}],
        "models": [
            {
                **{"model": "mixed-2", "first": _AT, "last": _AT, "grades": 412},
                **{"confirmed": _SHARE, "promise": _SHARE},
            }
        ],
        "turns": [{"model": "mixed-2", "at": _AT}],
        "model": "mixed-2",
        "share": 0.2,
    },
    "DriftPublic": {
        **{"model": "mixed-2", "grades": 412, "newest": _LOOK, "raised": [_LOOK], "false_alarms_a_year": 0.05},
    },
}
"""Of our own invention."""
