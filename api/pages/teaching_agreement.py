"""The page of agreement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.view import show
from wearvision_api.teaching.agreement import Agreement, Row, Table, agreement
from wearvision_api.teaching.plots import Bar, agreement_plot, words

router = APIRouter(prefix="/teaching/agreement", include_in_schema=False)
DRAWN = {"part": "alpha", "pair": "quadratic"}
"""Tables that have a picture too, and of which figure."""
MOST_BARS = 12


@dataclass(frozen=True, slots=True)
class Line:
    """A row: what it is about, how many examples all said the same of, each figure in words, what to know of them."""

    title: str
    alike: str
    figures: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TableView:
    """A table: key, title, titles of its figures, rows, rows without any figure by title, picture, what to know."""

    key: str
    title: str
    columns: tuple[str, ...]
    lines: tuple[Line, ...]
    silent: tuple[tuple[str, str], ...]
    plot: Markup
    note: str


@dataclass(frozen=True, slots=True)
class AgreementContext:
    """The page of agreement.

    Attributes:
        summary: What the figures are over.
        enough: Whether any example has two blind labels.
        tables: In order.
    """

    summary: str
    enough: bool
    tables: tuple[TableView, ...]


@router.get("")
def agreement_page(
    request: Request, house: HouseDep, session: SessionDep, who: Annotated[Caller, needs("teaching:read")]
) -> Response:
    """How far people agree: a table for each kind of question."""
    return show(request, who, "teaching_agreement.html", context(agreement(session, house.grader.limits)))


def context(found: Agreement) -> AgreementContext:
    """Agreement as it is shown."""
    summary = (
        f"{found.labels} blind labels of {found.examples} examples by {found.people} "
        f"{'person' if found.people == 1 else 'people'}; {found.several} examples have two or more."
    )
    tables = tuple(_table(one) for one in found.tables if one.rows)
    return AgreementContext(summary, found.several > 0, tables)


def _table(table: Table) -> TableView:
    told = [row for row in table.rows if any(one.value is not None for one in row.figures.values())]
    silent = [row for row in table.rows if row not in told]
    plot = ""
    if table.key in DRAWN and told:
        titles = dict(table.columns)
        column = DRAWN[table.key]
        bars = [Bar(f"{row.title} (n {row.of})", row.figures[column]) for row in told[:MOST_BARS]]
        plot = agreement_plot(bars, titles[column], f"{table.title}: {titles[column]}", f"plot-{table.key}")
    return TableView(
        table.key,
        table.title,
        tuple(title for _, title in table.columns),
        tuple(_line(row, table) for row in told),
        tuple((row.title, _why(row)) for row in silent),
        Markup(plot),  # made here, from escaped text
        table.note,
    )


def _line(row: Row, table: Table) -> Line:
    notes = dict.fromkeys(one.note for one in row.figures.values() if one.note)
    return Line(
        row.title, f"{row.alike} of {row.of}", tuple(words(row.figures[key]) for key, _ in table.columns), tuple(notes)
    )


def _why(row: Row) -> str:
    return "; ".join(dict.fromkeys(one.reason for one in row.figures.values()))
