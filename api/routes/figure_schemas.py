"""What figures over the returns look like as JSON, and the population that comes in."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from fastapi import Query
from pydantic import AfterValidator, ConfigDict, Field, StringConstraints

from wearvision_api.routes.return_schemas import ONE_LINE, Short
from wearvision_api.routes.schemas import Body, Moment, Page, PartName, Public, RecordId, Remark

EARLIEST = date(1980, 1, 1)
UnitName = Literal["h", "d"]
Line60 = Annotated[str, StringConstraints(strip_whitespace=True, max_length=60, pattern=ONE_LINE)]
PartNumber = Annotated[Line60, Query(description="Only this part number; empty: all.")]
Lot = Annotated[Line60, Query(description="Only this lot; empty: all.")]
CauseWanted = Annotated[
    Literal["", "service-wear", "dirt", "heat", "handling", "defect", "open"],
    Query(description="Only failures of this class of cause; empty: whatever the cause."),
]
AsOf = Annotated[date | None, Query(description="Up to which day everything is known; today if left out.")]


def _example(**members: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [members]})


def _plausible(value: date) -> date:
    if value < EARLIEST:
        raise ValueError(f"the day must not lie before {EARLIEST}")
    return value


ID = "4b1f0c1e-6f0a-4a7e-9d0e-2f5b8a6c3d10"
FITTED = {
    "part": "coupler",
    "part_number": "C-8",
    "lot": "26-11",
    "since": "2025-10-01",
    "count": 240,
    "hours_a_day": 6.5,
    "source": "Sales of the autumn",
}


class FittedCreate(Body):
    """How many parts of one lot began to run on one day."""

    model_config = Body.model_config | _example(**FITTED)

    id: RecordId | None = Field(None, description="Chosen by the caller.")
    part: PartName
    part_number: Short = ""
    lot: Short = ""
    since: Annotated[date, AfterValidator(_plausible)] = Field(description="Day from which they run.")
    count: int = Field(ge=1, le=10_000_000)
    hours_a_day: Annotated[float, Field(gt=0, le=24, allow_inf_nan=False)] | None = Field(
        None, description="Running hours of a machine a day, on average; null: unknown, so figures are in days."
    )
    source: Remark = Field("", description="Where the count comes from.")


class FittedPublic(Public):
    """A line of the population."""

    model_config = Public.model_config | _example(id=ID, created_at="2026-03-02T09:30:00Z", **FITTED)

    id: RecordId
    created_at: Moment
    part: PartName
    part_number: str
    lot: str
    since: date
    count: int
    hours_a_day: float | None
    source: str


class FittedPage(Page):
    """A page of the population, newest first."""

    items: list[FittedPublic]


class ImportPublic(Public):
    """What a table brought."""

    model_config = Public.model_config | _example(id=ID, lines=12, parts=2400)

    id: RecordId
    lines: int
    parts: int


class BoundsPublic(Public):
    """An estimate with its 95 % interval; null: that end is open."""

    value: float
    low: float | None
    high: float | None


class WeibullPublic(Public):
    """Weibull distribution by maximum likelihood, intervals by profile likelihood."""

    shape: BoundsPublic = Field(description="Below 1 early failures, 1 by chance, above 1 wearing out.")
    scale: BoundsPublic = Field(description="Time by which 63 % have failed.")
    b10: BoundsPublic = Field(description="Time by which 10 % have failed.")
    last: float = Field(description="Latest time at which anything was seen; what lies beyond is carried on.")


class StepPublic(Public):
    """One drop of the curve."""

    time: float
    since: float = Field(description="It falls between this time and the other; the same for known times.")
    survival: float
    low: float | None
    high: float | None
    failures: int | None
    at_risk: int | None


class CurvePublic(Public):
    """Share still running."""

    method: Literal["Kaplan-Meier", "Turnbull"]
    steps: list[StepPublic]
    rounded: float = Field(description="To how much times were rounded; 0: they were not.")


class AgesPublic(Public):
    """Ages of the returns, which are no lives."""

    unit: UnitName
    known: int
    least: float | None
    middle: float | None
    most: float | None


class LifePublic(Public):
    """How long parts live, or why that cannot be said."""

    source: Literal["fitted", "inspections", "none"]
    unit: UnitName = Field(description="Of all times: running hours or days.")
    returns: int = Field(description="Returns asked for, whatever their cause.")
    parts: int = Field(description="Of the population, those that still run included.")
    failures: int
    weibull: WeibullPublic | None
    weibull_unsaid: str = Field(description="Why there is no fit.")
    curve: CurvePublic | None
    curve_unsaid: str = Field(description="Why there is no curve.")
    ages: AgesPublic
    notes: list[str]


class LotPublic(Public):
    """One lot beside all others together."""

    part_number: str
    lot: str
    found: int
    of: int
    share: float | None
    low: float | None = Field(description="Of the share, 95 % (Wilson).")
    high: float | None
    expected: float | None = Field(description="At its size and age if all lots lived alike.")
    ratio: float | None = Field(description="Found to expected.")
    ratio_low: float | None = Field(description="95 %, exact for a Poisson count.")
    ratio_high: float | None
    p: float = Field(description="Chance of so many or more if the lot were like the rest.")
    p_holm: float = Field(description="Corrected for the number of lots, family-wise.")
    p_bh: float = Field(description="Corrected for the share of false alarms.")
    worse: bool = Field(description="p_holm ≤ 0.05.")


class LotsPublic(Public):
    """Whether a lot is worse than the others, worst first."""

    model_config = Public.model_config | _example(
        basis="returns", cause="defect", lots=[], reason="There is no return.", notes=[]
    )

    basis: Literal["fitted", "returns"]
    cause: str
    lots: list[LotPublic]
    reason: str = Field(description="Why lots cannot be compared.")
    notes: list[str]


class MonthPublic(Public):
    """Returns of one group in one month."""

    month: str
    group: str
    found: int
    of: int
    share: float
    low: float
    high: float
    fitted: int | None
    rate: float | None = Field(description="Returns in this month to a thousand parts fitted by then.")
    rate_low: float | None
    rate_high: float | None


class MonthsPublic(Public):
    """Returns by month, newest first."""

    by: Literal["cause", "part_number", "lot"]
    months: list[MonthPublic]


_NOT_KNOWN = "Returns alone say nothing about how long parts live."
FIGURE_EXAMPLES: dict[str, Any] = {
    "FittedPage": {"items": [{"id": ID, "created_at": "2026-03-02T09:30:00Z", **FITTED}], "next": None},
    "LifePublic": {
        "source": "none",
        "unit": "h",
        "returns": 2,
        "parts": 0,
        "failures": 0,
        "weibull": None,
        "weibull_unsaid": _NOT_KNOWN,
        "curve": None,
        "curve_unsaid": _NOT_KNOWN,
        "ages": {"unit": "h", "known": 2, "least": 60.5, "middle": 330.0, "most": 599.5},
        "notes": [],
    },
    "MonthsPublic": {
        "by": "cause",
        "months": [
            {
                "month": "2026-02",
                "group": "heat",
                **{"found": 1, "of": 4, "share": 0.25, "low": 0.0456, "high": 0.6994},
                **dict.fromkeys(("fitted", "rate", "rate_low", "rate_high")),
            }
        ],
    },
}
"""Those with a null in them, which a schema of its own would lose."""
