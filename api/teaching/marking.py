"""Holds what somebody said in practice against the settled truth: what was right, and what was missed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from wearvision.labels.bounds import Bound, range_of
from wearvision.labels.label import NONE
from wearvision.labels.truth import Truth
from wearvision.parts import PARTS, Mode
from wearvision.standard.definitions import load_definitions, where_grades_begin
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, Row

NO_WEAR = "none"
"""Answer about the worst mode: no wear that counts."""


@dataclass(frozen=True, slots=True)
class Said:
    """What somebody said of a photo.

    Attributes:
        part: Key of a part, or ``"none"``.
        fit: Whether the photo is fit to judge.
        grade: None where there is none to give.
        mode: The worst mode, ``"none"`` for no wear that counts, None where it was not answered.
        where: A ninth of the picture in which its wear lies, None where it was not answered.
    """

    part: str
    fit: bool = True
    grade: Grade | None = None
    mode: str | None = None
    where: str | None = None


@dataclass(frozen=True, slots=True)
class Marked:
    """An answer to one question: what was said, every right answer, and whether it was right (None: not asked)."""

    said: Any
    true: tuple[Any, ...]
    right: bool | None

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {"said": self.said, "true": list(self.true), "right": self.right}


def marked(said: Said, truth: Truth, limits: Limits, places: tuple[str, ...] = ()) -> dict[str, Marked]:
    """Every question with what was said and what was right.

    The part is right or not; so is the fitness of what shows a part. Grade, worst mode and place count where the truth
    has them. Every grade that a guard band touches is right, and where it is not settled which mode is the worst,
    every mode that can be.

    Args:
        said: The answers.
        truth: What was settled.
        limits: Those in force.
        places: Ninths of the picture in which the wear lies; empty where nobody drew it.
    """
    found = {"part": Marked(said.part, (truth.part,), said.part == truth.part)}
    if truth.part == NONE:
        return found
    found["fit"] = Marked(said.fit, (truth.fit,), said.fit == truth.fit)
    if truth.grade is None:
        return found
    right = truth.acceptable_grades or (truth.grade,)
    found["grade"] = Marked(said.grade, right, said.grade in right)
    worst = worst_modes(truth, limits)
    if worst:
        answered = said.mode is not None
        found["mode"] = Marked(said.mode, worst, said.part == truth.part and said.mode in worst if answered else None)
    if places:
        found["where"] = Marked(said.where, places, said.where in places if said.where is not None else None)
    return found


def worst_modes(truth: Truth, limits: Limits) -> tuple[str, ...]:
    """The modes that give a part its grade; ``("none",)`` for a serviceable one, empty where nothing is known of them.

    Those that surely reach the grade; where none surely does, all that can.
    """
    if truth.grade is None or truth.part not in PARTS:
        return ()
    if truth.grade == GRADES[0]:
        return (NO_WEAR,)
    known = [(mode, limits.row(truth.part, mode.measure)) for mode in PARTS[truth.part].modes]
    bounded = [(mode, row, truth.bounds[mode.measure]) for mode, row in known if mode.measure in truth.bounds]
    sure = tuple(mode.key for mode, row, bound in bounded if reaches(row, bound, truth.grade))
    if sure:
        return sure
    if truth.at_least is not None:
        return truth.at_least.modes
    return tuple(mode.key for mode, row, bound in bounded if can_reach(row, bound, truth.grade))


def reaches(row: Row, bound: Bound, grade: Grade) -> bool:
    """Whether every value in a bound is at least in the guard band of a grade."""
    return grade in row.grades and bound.low >= range_of(row, grade).low


def can_reach(row: Row, bound: Bound, grade: Grade) -> bool:
    """Whether some value in a bound gives a grade."""
    return grade in row.reachable(bound.low, bound.high)


def worn(truth: Truth, limits: Limits) -> tuple[tuple[Mode, Grade], ...]:
    """The modes that are surely worse than serviceable, each with the grade that it surely reaches, worst first."""
    found = []
    for mode in PARTS[truth.part].modes if truth.part in PARTS else ():
        bound, row = truth.bounds.get(mode.measure), limits.row(truth.part, mode.measure)
        sure = [grade for grade in row.grades[1:] if bound is not None and reaches(row, bound, grade)]
        if sure:
            found.append((mode, sure[-1]))
    return tuple(sorted(found, key=lambda pair: -GRADES.index(pair[1])))


def standard_words(part: str, mode: Mode, limits: Limits) -> str:
    """What the wear standard says of a mode: how it looks, what is measured, and where each grade begins."""
    definition = load_definitions()[part, mode.measure]
    begins = where_grades_begin(limits.row(part, mode.measure))
    grades = ", ".join(f"{grade} {words}" for grade, words in begins.items())
    return f"{definition.look} Measured: {definition.what}; {grades}."


def is_right(found: Mapping[str, Marked]) -> bool:
    """Whether the answer as a whole was: the grade; where the truth has none, fitness; for no part, the part."""
    return bool(next(found[key].right for key in ("grade", "fit", "part") if key in found))
