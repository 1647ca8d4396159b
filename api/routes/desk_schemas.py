"""What the desk does with many returns at once, as JSON."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import ConfigDict, Field, StringConstraints

from wearvision_api.routes.return_schemas import ReturnPublic
from wearvision_api.routes.schemas import Body, Public, RecordId

Table = Annotated[str, StringConstraints(max_length=65_536, pattern=r"^[^\x00]*$")]
MOST_REGRADED = 50


class WorklistPublic(Public):
    """A page of the working list."""

    items: list[ReturnPublic]
    total: int
    page: int
    counts: dict[str, int] = Field(description="How many stand in each state; mine: how many wait for you.")


class TakenPublic(Public):
    """What became of a row of the table."""

    line: int
    number: str = Field(description="Of the return; empty where none was made.")
    id: str
    fault: str
    is_new: bool = Field(description="False where the same row was taken in before.")


class ParcelPublic(Public):
    """What became of a parcel."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [{"rows": [{"line": 2, "number": "", "id": "", "fault": "part: missing", "is_new": False}]}]
        }
    )
    rows: list[TakenPublic]


class RegradeCreate(Body):
    """Which returns to look at anew, and with what."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "returns": ["36e17590-7acf-4b0b-b042-0bb753885611"],
                    "limits": "[coupler.profile_deviation]\nreplace_from = 0.08",
                }
            ]
        }
    )
    returns: list[RecordId] = Field(min_length=1, max_length=MOST_REGRADED)
    model: Annotated[str, StringConstraints(max_length=60, pattern=r"^[^\x00-\x1f]*$")] = Field(
        "", description="Id of a released model; empty: the one in force."
    )
    limits: Table = Field("", description="TOML that overrides rows of the limits.")
    policy: Table = Field("", description="TOML of another policy.")


class WouldPublic(Public):
    """One return beside what would have been said."""

    id: RecordId
    number: str
    before: dict[str, Any] | None
    after: dict[str, Any] | None
    changes: list[str]
    fault: str


class RegradePublic(Public):
    """What would change; nothing was changed."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"returns": []}]})
    returns: list[WouldPublic]
