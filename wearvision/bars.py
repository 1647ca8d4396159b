"""A measure against its limits as a bar: positions only, so that terminal, overlay and page draw the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from wearvision.report import MeasureLine
from wearvision.standard import Row

HEADROOM = 1.6
"""A bar ends at this multiple of the worst limit; what lies beyond is drawn at its end."""

MARKS = {"serviceable": "○", "clean-and-reuse": "◐", "replace": "●"}
"""Each grade's own mark beside its word, so that no meaning hangs on colour."""


@dataclass(frozen=True, slots=True)
class Bar:
    """Positions along a bar, 0 to 1.

    Attributes:
        value: Where the value lies; None where unmeasured.
        low: Lower end of its interval.
        high: Upper end.
        ticks: Where another grade begins, best first, with that grade.
        top: The measure's value at the bar's end.
    """

    value: float | None
    low: float | None
    high: float | None
    ticks: tuple[tuple[float, str], ...]
    top: float


def bar(line: MeasureLine, row: Row) -> Bar:
    """The bar of a measure under its limits."""
    top = HEADROOM * max(
        limit for limit in (row.serviceable_below, row.clean_from, row.replace_from) if limit is not None
    )

    def place(value: float | None) -> float | None:
        return None if value is None else min(max(value / top, 0.0), 1.0)

    ticks = tuple((min(at / top, 1.0), grade) for at, grade in row.splits)
    return Bar(place(line.value), place(line.low), place(line.high), ticks, top)


def views_wanted(views: Sequence[str]) -> tuple[str, ...]:
    """Views still to photograph in words, those that are wanted several times with their number."""
    return tuple(view if count == 1 else f"{view} ({count} photos)" for view, count in Counter(views).items())


def headline(grade: str | None, possible: tuple[str, ...], views_missing: tuple[str, ...]) -> str:
    """The grade in words, with the doubt that belongs to it; never *serviceable* alone where replace is possible."""
    if grade is None:
        return "no grade"
    words = f"{MARKS[grade]} {grade}"
    if grade == "serviceable" and views_missing:
        words += " so far, still to see: " + ", ".join(views_wanted(views_missing))
    others = [name for name in possible if name != grade]
    if others:
        words += f"  (in doubt: {' or '.join(others)} is possible)"
    return words
