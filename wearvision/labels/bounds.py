"""What a label says of each measure: from the grade of a mode to the values that could have got it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from wearvision.calibration import WIDEST
from wearvision.labels.label import ABSENT, Label, LabelError, asked, could_be, grade_of_answer
from wearvision.measure.result import Measured, Outcome
from wearvision.settle import SHARES
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, Row

Source = Literal["grade", "mode", "match", "mark", "pair", "reading"]
SOURCES: tuple[Source, ...] = get_args(Source)
"""Where a bound comes from, the weakest first."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The values that a measure can have. Either end may belong to the next grade: limits are shared.

    Attributes:
        low: Lower end, >= 0.
        high: Upper end; ``top_of`` the measure where nothing is known.
        value: Best estimate where something was measured, else None.
        source: What says so.
    """

    low: float
    high: float
    value: float | None = None
    source: Source = "grade"

    def __post_init__(self) -> None:
        inside = self.value is None or self.low <= self.value <= self.high
        if not (0 <= self.low <= self.high and inside and math.isfinite(self.high)):
            raise ValueError(f"no bound: {self.low} to {self.high}, value {self.value}")

    def meets(self, other: Bound) -> bool:
        """Whether some value lies in both."""
        return self.low <= other.high and other.low <= self.high

    def within(self, other: Bound) -> Bound:
        """Cut to another bound that it meets; its value moves along."""
        low, high = max(self.low, other.low), min(self.high, other.high)
        return Bound(low, high, None if self.value is None else min(max(self.value, low), high), self.source)

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        value = None if self.value is None else round(self.value, 6)
        low, high = round(self.low, 6), round(self.high, 6)
        return {"low": low, "high": high, "value": value, "source": self.source}

    @classmethod
    def read(cls, where: str, body: object) -> Bound:
        """From JSON.

        Raises:
            LabelError: it is no bound; the message begins with ``where``.
        """
        if not isinstance(body, Mapping) or not {"low", "high"} <= set(body) <= {"low", "high", "value", "source"}:
            raise LabelError(where, "a bound has low, high, value and source.")
        for key in ("low", "high", "value"):
            number = body.get(key)
            if isinstance(number, bool) or not isinstance(number, int | float | None):
                raise LabelError(f"{where}.{key}", f"must be a number, is {number!r:.40}.")
        source = body.get("source", SOURCES[0])
        if source not in SOURCES:
            raise LabelError(f"{where}.source", f"must be one of {', '.join(SOURCES)}, is {source!r:.40}.")
        value = body.get("value")
        try:
            return cls(float(body["low"]), float(body["high"]), None if value is None else float(value), source)
        except (ValueError, TypeError, OverflowError) as error:
            raise LabelError(where, f"{error}.") from None


@dataclass(frozen=True, slots=True)
class AtLeast:
    """That the worst of some modes reaches a grade, without saying which one."""

    grade: Grade
    modes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {"grade": self.grade, "modes": list(self.modes)}


def top_of(measure: str) -> float:
    """The largest value of a measure: 1 for shares of a whole, else far beyond every limit."""
    return 1.0 if measure in SHARES else WIDEST


def range_of(row: Row, grade: Grade) -> Bound:
    """All values for which a grade is a right answer, guard bands included.

    Raises:
        ValueError: the mode never gives this grade.
    """
    if grade not in row.grades:
        raise ValueError(f"{row.part}.{row.measure} is never {grade}")
    place, top = row.grades.index(grade), top_of(row.measure)
    after = row.grades[place + 1] if place + 1 < len(row.grades) else None
    low = 0.0 if place == 0 else row.serviceable_below if place == 1 else row.clean_to
    high: float | None = top
    if after is not None:
        high = row.clean_from if after == "clean-and-reuse" else row.replace_from
        high = row.serviceable_below if row.any_is_replace else high
    top = max(top, low or 0.0)
    return Bound(low or 0.0, top if high is None else min(max(high, low or 0.0), top))


def range_up_to(row: Row, grade: Grade) -> Bound:
    """All values for which a grade, or a better one, is a right answer."""
    best = [one for one in row.grades if GRADES.index(one) <= GRADES.index(grade)]
    return Bound(0.0, range_of(row, best[-1]).high)


def bounds(label: Label, measured: Mapping[str, Outcome], limits: Limits) -> dict[str, Bound]:
    """The bounds that a label sets to the measures of its view.

    The answer about a mode bounds its measure; a mode that was not asked about is bounded by the part's grade from
    above, and from below too where no other mode can be what the grade comes from. What was measured narrows that,
    and replaces it where the two can't both be true.

    Args:
        label: The label.
        measured: What its marks and matches came to, by measure.
        limits: Those in force.

    Returns:
        Measure to bound. A mode that is *not seen* and unmeasured has none, nor has a photo without a grade.
    """
    questions, found = asked(label.part, label.view, limits), {}
    alone = sole_mode(label, limits)
    for mode, _ in questions.modes:
        row = limits.row(label.part, mode.measure)
        said, seen = _said(label, row, alone), measured.get(mode.measure)
        if isinstance(seen, Measured):
            exact = _exact(row.measure, seen, "match" if row.measure in label.matches else "mark")
            said = exact.within(said) if said is not None and exact.meets(said) else exact
        if said is not None:
            found[mode.measure] = said
    return found


def at_least(label: Label, found: Mapping[str, Bound], limits: Limits) -> AtLeast | None:
    """What the part's grade says of the modes that were not asked about, where more than one could be the worst.

    Args:
        label: The label.
        found: Its ``bounds``.
        limits: Those in force.

    Returns:
        The grade and the modes that can reach it inside their bounds; None where the bounds say it already.
    """
    grade = label.grade
    if grade is None or grade == GRADES[0] or grade in label.modes.values():
        return None
    questions, open_modes = asked(label.part, label.view, limits), []
    for mode, grades in questions.modes:
        bound = found.get(mode.measure)
        if bound is None or grade not in grades:
            continue
        least = range_of(limits.row(label.part, mode.measure), grade).low
        if bound.low >= least:
            return None
        if mode.key in could_be(grade, label.modes, questions) and bound.high > least:
            open_modes.append(mode.key)
    return AtLeast(grade, tuple(open_modes)) if open_modes else None


def sole_mode(label: Label, limits: Limits) -> str:
    """The one mode that the part's grade must come from; empty where none was needed or several could be."""
    if label.grade in (None, GRADES[0]) or label.grade in label.modes.values():
        return ""
    could = could_be(label.grade or GRADES[0], label.modes, asked(label.part, label.view, limits))
    return could[0] if len(could) == 1 else ""


def _said(label: Label, row: Row, alone: str) -> Bound | None:
    """What the label's words say of a measure; None for nothing."""
    answer = label.modes.get(row.mode)
    if answer == ABSENT:
        return Bound(0.0, min(row.serviceable_below, top_of(row.measure)), None, "mode")
    if answer is not None:
        grade = grade_of_answer(answer)
        return None if grade is None else _marked(range_of(row, grade), "mode")
    if label.grade is None:
        return None
    return range_of(row, label.grade) if row.mode == alone else range_up_to(row, label.grade)


def _marked(bound: Bound, source: Source) -> Bound:
    return Bound(bound.low, bound.high, bound.value, source)


def _exact(measure: str, seen: Measured, source: Source) -> Bound:
    top = top_of(measure)
    low, high = min(max(seen.low, 0.0), top), min(max(seen.high, 0.0), top)
    return Bound(low, high, min(max(seen.value, low), high), source)


__all__ = [
    "SOURCES",
    "AtLeast",
    "Bound",
    "Source",
    "at_least",
    "bounds",
    "range_of",
    "range_up_to",
    "sole_mode",
    "top_of",
]
