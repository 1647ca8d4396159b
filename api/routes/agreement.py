"""``/agreement``: how far people agree, as JSON and as a table for a spreadsheet."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Response

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.routes.agreement_schemas import AgreementPublic
from wearvision_api.routes.downloads import download
from wearvision_api.services.export import safe
from wearvision_api.teaching.agreement import Agreement, agreement

router = APIRouter(tags=["teaching"])
Reader = Annotated[Caller, needs("teaching:read")]
COLUMNS = ("table", "row", "examples", "alike", "figure", "value", "low", "high", "figure_examples", "reason", "note")


@router.get("/agreement", response_model=AgreementPublic, summary="How far people agree")
def show(house: HouseDep, session: SessionDep, who: Reader) -> AgreementPublic:
    """Kappa and alpha by part, grade, mode, pair of people, and each person against what was settled.

    Over the newest blind label of each person. Intervals by 2,000 bootstrap drawings of examples with a fixed seed.
    """
    return AgreementPublic.model_validate(asdict(agreement(session, house.grader.limits)))


@router.get(
    "/agreement.csv",
    response_class=Response,
    responses={200: {"content": {"text/csv": {}}, "description": "One line a figure."}},
    summary="The same as a table",
)
def table(house: HouseDep, session: SessionDep, who: Reader) -> Response:
    """One line a figure, as RFC 4180 has it."""
    return download(csv_of(agreement(session, house.grader.limits)).encode(), "text/csv", "agreement.csv")


def csv_of(found: Agreement) -> str:
    """All figures, one a line; the first line names the columns."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for one in found.tables:
        for row in one.rows:
            for key, figure in row.figures.items():
                cells = (one.key, row.key, row.of, row.alike, key, figure.value, figure.low, figure.high, figure.of)
                writer.writerow([safe(cell) for cell in (*cells, figure.reason, figure.note)])
    return out.getvalue()
