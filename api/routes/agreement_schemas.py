"""What agreement looks like as JSON."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from wearvision_api.routes.schemas import Public


class FigurePublic(Public):
    """A figure of agreement with its interval."""

    value: float | None = Field(description="1: always; 0: as chance would have it. Null: it cannot be computed.")
    low: float | None = Field(description="Lower end of the 95 % bootstrap interval over examples.")
    high: float | None
    of: int = Field(description="Examples.")
    reason: str = Field(description="Why it cannot be computed.")
    note: str = Field(description="What a reader must know.")


class AgreementRow(Public):
    """A line of a table."""

    key: str
    title: str
    of: int = Field(description="Examples that it is about.")
    alike: int = Field(description="Examples in which all said the same.")
    figures: dict[str, FigurePublic]


class AgreementTable(Public):
    """Figures of one kind."""

    key: str
    title: str
    columns: list[tuple[str, str]] = Field(description="Key and title.")
    rows: list[AgreementRow]
    note: str


class AgreementPublic(Public):
    """How far people agree."""

    examples: int = Field(description="Labelled blind by somebody.")
    several: int = Field(description="Labelled blind by two people or more.")
    labels: int
    people: int
    tables: list[AgreementTable]


_FIGURE = {"value": 0.81, "low": 0.7, "high": 0.9, "of": 64, "reason": "", "note": ""}
AGREEMENT_EXAMPLES: dict[str, Any] = {
    "AgreementPublic": {
        "examples": 80,
        "several": 64,
        "labels": 146,
        "people": 3,
        "tables": [
            {
                "key": "part",
                "title": "The grade, by part",
                "columns": [["alpha", "Krippendorff's alpha"]],
                "rows": [{"key": "all", "title": "All parts", "of": 64, "alike": 55, "figures": {"alpha": _FIGURE}}],
                "note": "Grades of labels that name the same part.",
            }
        ],
    },
}
