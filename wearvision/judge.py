"""From measures and limits to a grade: one pure function. It knows no picture and no part by name."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.parts import PartSpec, part_spec
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import Limits, Row, worst_of

Chance = Callable[[float], float]
"""How likely a measure is at or above a value."""


@dataclass(frozen=True, slots=True)
class Line:
    """One measure of the part and what it says.

    Attributes:
        mode: The wear mode.
        measure: The measure's name.
        outcome: Calibrated value and interval, or why there is none.
        grade: Grade of the value alone; None if the mode says nothing.
        possible_grades: Every grade that this mode reaches; empty if it says nothing.
    """

    mode: str
    measure: str
    outcome: Outcome
    grade: Grade | None
    possible_grades: tuple[Grade, ...]

    def to_dict(self) -> dict[str, Any]:
        """The line as it stands in a report's ``measures``."""
        out: dict[str, Any] = {"name": self.measure, "mode": self.mode}
        if isinstance(self.outcome, Unmeasured):
            out |= {"value": None, "reason": str(self.outcome.reason), "grade": self.grade}
        else:
            seen = self.outcome
            out |= {"value": seen.value, "low": seen.low, "high": seen.high, "unit": seen.unit, "grade": self.grade}
        out["possible_grades"] = list(self.possible_grades)
        return out | ({"note": self.outcome.note} if self.outcome.note else {})


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict of the photos.

    Attributes:
        grade: Worst mode of the values; None if not one mode could be judged.
        possible_grades: Every grade reachable inside the intervals, best first, never empty, holds ``grade``.
        probabilities: Grade to probability; sums to 1.
        not_seen: Modes that these views should show and could not: never cleared, never *absent*.
        lines: Every mode of the part, in its order.
    """

    grade: Grade | None
    possible_grades: tuple[Grade, ...]
    probabilities: Mapping[Grade, float]
    not_seen: tuple[str, ...]
    lines: tuple[Line, ...]

    @property
    def in_doubt(self) -> bool:
        """True where replace is possible and the grade says less: never show the grade alone then."""
        return "replace" in self.possible_grades and self.grade != "replace"

    @property
    def measures(self) -> dict[str, Grade]:
        """Measure to its own grade, for those that say something."""
        return {line.measure: line.grade for line in self.lines if line.grade is not None}

    @property
    def modes_to_check(self) -> tuple[str, ...]:
        """Modes that hand checks should speak for: to clear a part all of them, else what decides or was not seen."""
        wanted = {*self.deciding, *self.not_seen}
        return tuple(line.mode for line in self.lines if self.grade in (None, GRADES[0]) or line.mode in wanted)

    @property
    def deciding(self) -> tuple[str, ...]:
        """Modes whose own grade is the part's grade, or that could still make it replace."""
        doubt = {"replace"} if self.in_doubt else set()
        return tuple(
            line.mode
            for line in self.lines
            if line.grade is not None and (line.grade == self.grade or doubt & set(line.possible_grades))
        )


@dataclass(frozen=True, slots=True)
class Joined:
    """Several photos of one part as one set of measures.

    Attributes:
        lines: Measure to outcome, the worst of each mode over the views that show it.
        taken_from: Measure to the number of the photo whose value it is.
        not_seen: Modes that some required view should have shown and could not.
        views_missing: Views still to photograph, each named as often as it is missing.
    """

    lines: Mapping[str, Outcome]
    taken_from: Mapping[str, int] = field(default_factory=dict)
    not_seen: tuple[str, ...] = ()
    views_missing: tuple[str, ...] = ()


def judge(
    part: str,
    lines: Mapping[str, Outcome],
    limits: Limits,
    *,
    plain: Collection[str] = (),
    not_seen: Collection[str] = (),
    chances: Mapping[str, Chance] | None = None,
) -> Judgement:
    """Grades a part from its measures under the limits in force.

    Args:
        part: Key of a registered part.
        lines: Measure to outcome, intervals already calibrated; a measure left out is not in view.
        limits: The limits in force.
        plain: Measures whose wear is plain in the photo although it can't be measured: such wear is graded.
        not_seen: Modes not seen for other reasons, as ``join`` finds them.
        chances: Measure to how likely it is at or above a value. Without it the spread inside the interval is taken
            as triangular.

    Returns:
        The judgement. Under a joint coverage of the intervals, ``possible_grades`` holds the true grade at
        least as often. A mode that is unmeasured neither clears the part nor condemns it.

    Raises:
        UnknownPart: no such part. KeyError: a measure that the part does not have.
    """
    spec = part_spec(part)
    for name in lines:
        limits.row(part, name)
    rows = [limits.row(part, mode.measure) for mode in spec.modes]
    outcomes = [lines.get(row.measure, Unmeasured(Reason.NOT_IN_VIEW)) for row in rows]
    judged = tuple(_line(row, found, row.measure in plain) for row, found in zip(rows, outcomes, strict=True))
    heard = [line for line in judged if line.grade is not None]
    spreads = [
        _probabilities(row, line, (chances or {}).get(row.measure))
        for row, line in zip(rows, judged, strict=True)
        if line.grade is not None
    ]
    return Judgement(
        worst([line.grade for line in heard if line.grade is not None]) if heard else None,
        worst_of(line.possible_grades for line in heard) or GRADES,
        _combine(spreads),
        tuple(line.mode for line in judged if line.mode in not_seen or _unseen(line)),
        judged,
    )


def join(part: str, photos: Sequence[tuple[str, Mapping[str, Outcome]]]) -> Joined:
    """Joins several photos of one part, measure by measure.

    The interval of the largest of several values is [largest low, largest high]: a doubtful photo beside a
    sharp one stays a doubt. Intervals that hold jointly for each photo at a rate 1 - a hold for n photos at
    least at 1 - n a.

    Args:
        part: Key of a registered part.
        photos: For each photo its view and its measures. The same picture twice counts twice: leave doubles out.

    Raises:
        UnknownPart: no such part. ValueError: a view that the part does not have.
    """
    spec = part_spec(part)
    for view, _ in photos:
        if view not in spec.views:
            raise ValueError(f"{part} has no view {view!r}; it has {', '.join(spec.views)}")
    lines: dict[str, Outcome] = {}
    taken: dict[str, int] = {}
    dark: list[str] = []
    for mode in spec.modes:
        found = [(i, one[mode.measure]) for i, (_, one) in enumerate(photos) if mode.measure in one]
        seen = [(i, outcome) for i, outcome in found if isinstance(outcome, Measured)]
        blind = [(i, outcome) for i, outcome in found if _blind(outcome)]
        if seen:
            taken[mode.measure], lines[mode.measure] = _largest(seen)
        elif found:
            lines[mode.measure] = (blind or found)[0][1]
        if any(_short(spec.required_views, view, photos, seen, blind) for view in mode.views):
            dark.append(mode.key)
    return Joined(lines, taken, tuple(dark), views_missing(spec, [view for view, _ in photos]))


def views_missing(spec: PartSpec, views: Sequence[str]) -> tuple[str, ...]:
    """Views still to photograph before the part is cleared, each named as often as it is missing."""
    return tuple(
        view for view, count in spec.required_views.items() for _ in range(max(0, count - list(views).count(view)))
    )


def _line(row: Row, outcome: Outcome, plain: bool) -> Line:
    if isinstance(outcome, Measured):
        return Line(
            row.mode,
            row.measure,
            outcome,
            row.grade_of(outcome.value),
            row.reachable(outcome.low, outcome.high),
        )
    if not plain or outcome.reason is Reason.NOT_IN_VIEW:
        return Line(row.mode, row.measure, outcome, None, ())
    # How far it has gone is unknown, that it is there is not: the mildest grade that is not serviceable.
    possible = row.grades[1:] if row.any_is_replace else row.grades
    return Line(row.mode, row.measure, outcome, row.grades[1], possible)


def _blind(outcome: Outcome) -> bool:
    return isinstance(outcome, Unmeasured) and outcome.reason is not Reason.NOT_IN_VIEW


def _unseen(line: Line) -> bool:
    return line.grade is None and _blind(line.outcome)


def _largest(seen: Sequence[tuple[int, Measured]]) -> tuple[int, Measured]:
    at, top = max(seen, key=lambda pair: pair[1].value)
    low, high = max(one.low for _, one in seen), max(one.high for _, one in seen)
    return at, Measured(top.value, low, high, top.unit, top.trace, top.note)


def _short(
    required: Mapping[str, int],
    view: str,
    photos: Sequence[tuple[str, Mapping[str, Outcome]]],
    seen: Sequence[tuple[int, Outcome]],
    blind: Sequence[tuple[int, Outcome]],
) -> bool:
    """True where photos of a view failed to show the mode and too few others of that view do."""
    failed = any(photos[i][0] == view for i, _ in blind)
    return failed and sum(photos[i][0] == view for i, _ in seen) < required.get(view, 1)


def _probabilities(row: Row, line: Line, chance: Chance | None) -> NDArray[np.float64]:
    """Probability of each grade of ``GRADES`` for one mode, (3,)."""
    out = np.zeros(len(GRADES))
    if isinstance(line.outcome, Unmeasured):
        for grade in line.possible_grades:
            out[GRADES.index(grade)] = 1 / len(line.possible_grades)
        return out
    if chance is not None:
        above = list(np.minimum.accumulate([chance(at) for at, _ in row.splits]))
    else:
        above = [_triangle_above(line.outcome, at) for at, _ in row.splits]
    steps = [1.0, *above, 0.0]
    for i, grade in enumerate(row.grades):
        out[GRADES.index(grade)] = steps[i] - steps[i + 1]
    return out


def _triangle_above(outcome: Measured, at: float) -> float:
    """Share of a triangular spread over [low, high], peak at the value, that lies at or above ``at``."""
    low, top, high = outcome.low, outcome.value, outcome.high
    if at <= low:
        return 1.0
    if at > high:
        return 0.0
    if not np.isfinite(high - low):
        return 0.5  # nothing is known: an unbounded interval
    if at > top:
        return (high - at) ** 2 / ((high - low) * (high - top))
    return 1.0 - (at - low) ** 2 / ((high - low) * (top - low))


def _combine(spreads: Sequence[NDArray[np.float64]]) -> dict[Grade, float]:
    """Worst of independent modes: the chance of *at most this bad* is the product over the modes."""
    if not spreads:
        return {grade: 1 / len(GRADES) for grade in GRADES}
    at_most = np.prod([np.cumsum(spread) for spread in spreads], axis=0)
    at_most[-1] = 1.0
    shares = np.clip(np.diff(at_most, prepend=0.0), 0.0, 1.0)
    return {grade: float(share) for grade, share in zip(GRADES, shares, strict=True)}
