"""The wear standard and the hand checks as data (TOML), each row with its source, and what reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wearvision.standard.causes import Cause, causes_for, load_causes
from wearvision.standard.checks import CAUTIONS, DEFERENCE, Check, Checks, checks_for, load_checks
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import LabelGrade, Limits, Row, load_limits, worst_of

if TYPE_CHECKING:
    from wearvision.standard.starts import Start, Starts, load_starts

__all__ = [
    "CAUTIONS",
    "DEFERENCE",
    "GRADES",
    "Cause",
    "Check",
    "Checks",
    "Grade",
    "LabelGrade",
    "Limits",
    "Row",
    "Start",
    "Starts",
    "causes_for",
    "checks_for",
    "load_causes",
    "load_checks",
    "load_limits",
    "load_starts",
    "worst",
    "worst_of",
]


def __getattr__(name: str) -> Any:
    """Where to start is no part of grading: its module is loaded when it is first asked for."""
    if name not in ("Start", "Starts", "load_starts"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from wearvision.standard import starts

    return getattr(starts, name)
