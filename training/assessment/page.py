"""The report as one page that needs nothing else: what it is made of, and how it is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from jinja2 import Environment, PackageLoader, StrictUndefined


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table; ``kind`` is "", "good" (right answers) or "bad" (wrong ones, not empty)."""

    text: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table with its caption; the first cell of each row heads it.

    With ``fold`` a narrow screen shows each row as its heading with the other cells under it, named by the columns.
    """

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    note: str = ""
    fold: bool = True


@dataclass(frozen=True, slots=True)
class Plot:
    """A picture in the page: its address holds it whole; ``alt`` says what it shows."""

    caption: str
    source: str
    alt: str


@dataclass(frozen=True, slots=True)
class Card:
    """One error with its pictures and measures."""

    title: str
    text: Sequence[str]
    pictures: Sequence[Plot]
    table: Table


@dataclass(frozen=True, slots=True)
class Section:
    """One section; ``key`` is its anchor, ``large`` gives its plots more room."""

    key: str
    title: str
    text: Sequence[str] = ()
    tables: Sequence[Table] = ()
    plots: Sequence[Plot] = ()
    cards: Sequence[Card] = ()
    large: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page; ``facts`` are what was graded with what."""

    title: str
    facts: Sequence[tuple[str, str]]
    sections: Sequence[Section] = field(default_factory=tuple)


def make_table(
    caption: str, head: Sequence[str], rows: Sequence[Sequence[str | Cell]], note: str = "", *, fold: bool = True
) -> Table:
    """A table from plain strings and cells."""
    cells = [[cell if isinstance(cell, Cell) else Cell(cell) for cell in row] for row in rows]
    return Table(caption, head, cells, note, fold)


def render(page: Page) -> str:
    """The page as HTML with styles and pictures inside; undefined names raise."""
    rooms = Environment(
        loader=PackageLoader("wearvision_training.assessment", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return rooms.get_template("report.html.j2").render(page=page)
