"""Figures as words: one way to write a share, a mean and a difference in the table and on the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

NOTHING = "–"

HEADLINES = {
    "macro_f1_clear": "macro-F1, outside guard bands",
    "macro_f1_all": "macro-F1, all judged, any accepted grade right",
    "macro_f1_refused_wrong": "macro-F1, outside guard bands, turned away counts as wrong",
    "grade_acceptable": "accepted grade, of judged",
    "part": "part right",
    "part_when_named": "part right where one was named",
    "view": "view right where a part was named",
    "not_parts_refused": "not a part: given no grade",
    "not_parts_refused_as_such": "not a part: said to be none",
    "fit_refused_as_not_a_part": "fit photo of a part, refused as not a part",
    "fit_named_unfit": "fit photo of a part, named unfit",
    "answered": "photos of parts that were judged",
    "possible_grades_hold_truth": "possible grades hold an accepted one",
    "possible_grades_hold_replace": "possible grades hold replace where it is true",
    "possible_clear": "possible grades hold the truth, outside guard bands",
    "possible_borderline": "possible grades hold an accepted one, in guard bands",
}
"""By the key in the figures, in the order of the page."""

MISSES = {
    "replace_called_serviceable": "answered grade is serviceable",
    "replace_called_serviceable_without_doubt": "serviceable is the only possible grade",
}
"""The error that matters most, in two readings."""


def percent(value: float | None, digits: int = 1) -> str:
    """A share in per cent."""
    return NOTHING if value is None else f"{value * 100:.{digits}f} %"


def number(value: float | None, digits: int = 3) -> str:
    """A number, or a dash for none."""
    return NOTHING if value is None else f"{value:.{digits}f}"


def span(figure: Mapping[str, Any], digits: int = 3) -> str:
    """The interval of a figure."""
    if figure.get("value") is None or figure.get("low") is None:
        return NOTHING
    return f"{figure['low']:.{digits}f} to {figure['high']:.{digits}f}"


def span_percent(figure: Mapping[str, Any], digits: int = 1) -> str:
    """The interval of a share, in per cent."""
    if figure.get("value") is None:
        return NOTHING
    return f"{figure['low'] * 100:.{digits}f} to {figure['high'] * 100:.{digits}f} %"


def counts(figure: Mapping[str, Any]) -> str:
    """How many of how many."""
    return f"{figure['hits']} of {figure['of']}" if "hits" in figure else f"{figure['of']} pictures"


def points(value: float | None) -> str:
    """A difference of shares in points of a hundred, signed."""
    return NOTHING if value is None else f"{value * 100:+.1f}"


def points_span(figure: Mapping[str, Any]) -> str:
    """The interval of a difference, in points."""
    return NOTHING if figure["value"] is None else f"{figure['low'] * 100:+.1f} to {figure['high'] * 100:+.1f}"
