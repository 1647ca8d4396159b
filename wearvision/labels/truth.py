"""What labels, readings and pairs settle as the truth of a photo, or that they do not settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from wearvision.faults import FaultKind
from wearvision.labels.bounds import AtLeast, Bound
from wearvision.labels.label import NONE, Label, LabelError
from wearvision.measure.result import Outcome
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES, Grade

Rank = Literal["one", "agreed", "third", "pair", "reading"]
RANKS: tuple[Rank, ...] = get_args(Rank)
"""What a truth rests on, the weakest first: one person, people who agree, a third person who decided between two, a
pair of photos before and after wiping, a reading."""


@dataclass(frozen=True, slots=True)
class Given:
    """A label as it was given.

    Attributes:
        author: Who gave it; the same name for all labels of one person.
        turn: 1 first, 2 second and blind, 3 a third person who saw both, 4 shown again because a model doubts it.
        label: What was said.
        measured: What its marks and matches came to, by measure.
    """

    author: str
    turn: int
    label: Label
    measured: Mapping[str, Outcome] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Difference:
    """A field in which two labels differ: ``part``, ``view``, ``fit``, ``grade``, ``modes.<key>``,
    ``measures.<name>``; and what each says."""

    field: str
    one: Any
    other: Any

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {"field": self.field, "one": self.one, "other": self.other}


@dataclass(frozen=True, slots=True)
class Dispute:
    """Labels that differ: a third person is asked. The authors' order is that of their names."""

    differences: tuple[Difference, ...]

    def to_dict(self) -> dict[str, Any]:
        """As JSON."""
        return {"differences": [difference.to_dict() for difference in self.differences]}


@dataclass(frozen=True, slots=True)
class Truth:
    """What is taken as true of a photo.

    Attributes:
        part: Key of the part, or ``"none"``.
        view: The view that it shows, or None.
        fit: Whether it is fit to judge.
        faults: What makes it unfit.
        grade: The grade; None where there is none to give.
        acceptable_grades: Every grade that is a right answer, best first; holds ``grade``.
        bounds: Measure to the values that it can have.
        at_least: What is known of the worst mode where it isn't known which one that is.
        rank: What it rests on.
    """

    part: str
    view: str | None = None
    fit: bool = True
    faults: tuple[str, ...] = ()
    grade: Grade | None = None
    acceptable_grades: tuple[Grade, ...] = ()
    bounds: Mapping[str, Bound] = field(default_factory=dict)
    at_least: AtLeast | None = None
    rank: Rank = "one"

    def to_dict(self) -> dict[str, Any]:
        """As JSON; bounds to six places."""
        return {
            "part": self.part,
            "view": self.view,
            "fit": self.fit,
            "faults": list(self.faults),
            "grade": self.grade,
            "acceptable_grades": list(self.acceptable_grades),
            "bounds": {measure: bound.to_dict() for measure, bound in self.bounds.items()},
            "at_least": self.at_least.to_dict() if self.at_least else None,
            "rank": self.rank,
        }

    @classmethod
    def read(cls, body: object) -> Truth:
        """From JSON; only ``part`` must be there.

        Raises:
            LabelError: a field is wrong; it names the field.
        """
        truth = _object("truth", body)
        if unknown := [key for key in truth if key not in cls.__slots__]:
            raise LabelError(str(unknown[0]), "is no field of a truth.")
        part = _one_of("part", truth.get("part"), (*PARTS, NONE))
        spec = PARTS.get(part)
        view = truth.get("view")
        if view is not None:
            view = _one_of("view", view, spec.views if spec else ())
        fit = truth.get("fit", True)
        if not isinstance(fit, bool):
            raise LabelError("fit", f"must be true or false, is {fit!r:.40}.")
        grade = truth.get("grade")
        found = cls(
            part,
            view,
            fit,
            tuple(_one_of("faults", kind, tuple(map(str, FaultKind))) for kind in _list("faults", truth.get("faults"))),
            None if grade is None else _one_of("grade", grade, GRADES),
            _grades("acceptable_grades", truth.get("acceptable_grades")),
            {
                _measure(part, name): Bound.read(f"bounds.{name}", bound)
                for name, bound in _object("bounds", truth.get("bounds") or {}).items()
            },
            _at_least(part, truth.get("at_least")),
            _one_of("rank", truth.get("rank", RANKS[0]), RANKS),
        )
        _demand_sense(found)
        return found


def _demand_sense(truth: Truth) -> None:
    """What the fields of a truth must have to do with each other."""
    judged = truth.part != NONE and truth.fit
    if not judged and (truth.grade or truth.bounds or truth.at_least):
        raise LabelError("grade", "belongs to a part on a photo that is fit to judge.")
    if truth.grade is None and (truth.acceptable_grades or truth.at_least):
        raise LabelError("acceptable_grades", "there are none without a grade.")
    if truth.grade is not None and truth.grade not in truth.acceptable_grades:
        raise LabelError("acceptable_grades", f"must hold the grade {truth.grade}.")


def _object(where: str, value: object) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise LabelError(where, f"must be an object, is {value!r:.40}.")
    return value


def _list(where: str, value: object) -> Sequence[Any]:
    if value is None:
        return ()
    if not isinstance(value, Sequence) or isinstance(value, str):
        raise LabelError(where, f"must be a list, is {value!r:.40}.")
    return value


def _one_of(where: str, value: object, known: Sequence[Any]) -> Any:
    if isinstance(value, str) and value in known:
        return value
    raise LabelError(where, f"must be one of {', '.join(known) or 'nothing here'}, is {value!r:.40}.")


def _grades(where: str, value: object) -> tuple[Grade, ...]:
    named = {_one_of(where, grade, GRADES) for grade in _list(where, value)}
    return tuple(grade for grade in GRADES if grade in named)


def _measure(part: str, name: str) -> str:
    spec = PARTS.get(part)
    return str(_one_of("bounds", name, [mode.measure for mode in spec.modes] if spec else ()))


def _at_least(part: str, value: object) -> AtLeast | None:
    if value is None:
        return None
    body, spec = _object("at_least", value), PARTS.get(part)
    known = [mode.key for mode in spec.modes] if spec else []
    modes = tuple(_one_of("at_least.modes", mode, known) for mode in _list("at_least.modes", body.get("modes")))
    if not modes:
        raise LabelError("at_least.modes", "must name a mode.")
    return AtLeast(_one_of("at_least.grade", body.get("grade"), GRADES), modes)


__all__ = ["RANKS", "Difference", "Dispute", "Given", "Rank", "Truth"]
