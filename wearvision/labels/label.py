"""What one person says of a photo: the label, the one form of it, and what is asked of which part and view."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, get_args

from wearvision.errors import InputError
from wearvision.faults import FaultKind
from wearvision.parts import PARTS, Mark, Mode
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import Limits, load_limits

NONE = "none"
"""Part of a label that says: this is none of the parts."""

ABSENT, NOT_SEEN = "absent", "not seen"
"""Answers about a mode beside the grades: no trace of it; the photo can't show it."""

STEP = 0.1
"""Step of a comparison series."""

MOST_POINTS = 5000
MOST_SHAPES = 500
MOST_NOTE = 2000

ShapeKind = Literal["outline", "line", "polygon", "brush"]
Point = tuple[float, float]


class LabelError(InputError):
    """A label that cannot be read; ``field`` names where, such as ``marks.rim.points``."""

    code = "bad_label"

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field


@dataclass(frozen=True, slots=True)
class Shape:
    """Something drawn.

    Attributes:
        kind: ``outline`` (closed, smooth but for corners), ``line``, ``polygon`` (closed, straight) or ``brush``.
        points: x to the right and y down, as shares of the upright photo's width and height.
        erase: Takes away from what was drawn before; polygons and brush strokes only.
        radius: Of a brush, as a share of the photo's width; 0 else.
    """

    kind: ShapeKind
    points: tuple[Point, ...]
    erase: bool = False
    radius: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """As in a label's JSON."""
        out: dict[str, Any] = {"shape": self.kind, "points": [list(point) for point in self.points]}
        if self.kind in ("polygon", "brush"):
            out["erase"] = self.erase
        return out | ({"radius": self.radius} if self.kind == "brush" else {})


@dataclass(frozen=True, slots=True)
class Asked:
    """What a label can say of one view of one part.

    Attributes:
        modes: The wear modes that the view can show, each with the grades that it can give.
        marks: Outlines and lines that can be drawn.
        regions: Areas that can be drawn.
        matches: Measures that are told by a comparison series.
        by_hand: Measure to the keys of marks and regions without which it isn't measured.
    """

    modes: tuple[tuple[Mode, tuple[Grade, ...]], ...]
    marks: tuple[Mark, ...]
    regions: tuple[Mark, ...]
    matches: tuple[str, ...]
    by_hand: Mapping[str, tuple[str, ...]]

    def grades(self, mode: str) -> tuple[Grade, ...] | None:
        """The grades that a mode can give, None for a mode that is not asked."""
        return next((grades for one, grades in self.modes if one.key == mode), None)


NOTHING_ASKED = Asked((), (), (), (), {})


def asked(part: str, view: str | None, limits: Limits | None = None) -> Asked:
    """What a label can say of one view of one part; nothing where the part or its view isn't known.

    Args:
        part: Key of a part, or ``"none"``.
        view: One of its views, or None.
        limits: Those in force; they say which grades a mode can give. None for the standard's.
    """
    spec = PARTS.get(part)
    if spec is None or view not in spec.views:
        return NOTHING_ASKED
    rows = limits or load_limits()
    shown = [mark for mark in spec.marks if view in mark.views]
    modes = [mode for mode in spec.modes if view in mode.views]
    return Asked(
        tuple((mode, rows.row(part, mode.measure).grades) for mode in modes),
        tuple(mark for mark in shown if mark.shape != "area"),
        tuple(mark for mark in shown if mark.shape == "area"),
        tuple(mode.measure for mode in modes if mode.measure in spec.matched),
        {measure: keys for (measure, where), keys in spec.by_hand.items() if where == view},
    )


@dataclass(frozen=True, slots=True)
class Label:
    """What one person says of a photo.

    Attributes:
        part: Key of the part, or ``"none"``.
        view: The view, None where it can't be told or there is no part.
        fit: Whether the photo is fit to judge.
        faults: What makes it unfit, as kinds of ``wearvision.faults``.
        grade: The part's grade as this photo shows it; None where it can't be told.
        modes: Mode to ``"absent"``, a grade or ``"not seen"``; modes left out were not asked.
        marks: Outlines and lines, by key.
        matches: Measure to the step of the comparison series that looks alike.
        regions: Areas, by key, in the order in which they were drawn.
        note: Free text.
    """

    part: str
    view: str | None = None
    fit: bool = True
    faults: tuple[str, ...] = ()
    grade: Grade | None = None
    modes: Mapping[str, str] = field(default_factory=dict)
    marks: Mapping[str, Shape] = field(default_factory=dict)
    matches: Mapping[str, float] = field(default_factory=dict)
    regions: Mapping[str, tuple[Shape, ...]] = field(default_factory=dict)
    note: str = ""

    @classmethod
    def read(cls, body: object, limits: Limits | None = None) -> Label:
        """A label from its JSON form.

        Args:
            body: As ``to_dict`` gives it; keys may be left out but for ``part``.
            limits: Those in force; they say which grades a mode can give. None for the standard's.

        Raises:
            LabelError: a field is wrong or two contradict each other; it names the field.
        """
        return _read(body, limits)

    def to_dict(self) -> dict[str, Any]:
        """As JSON; ``read`` gives the same label again."""
        return {
            "part": self.part,
            "view": self.view,
            "fit": self.fit,
            "faults": list(self.faults),
            "grade": self.grade,
            "modes": dict(self.modes),
            "marks": {key: shape.to_dict() for key, shape in self.marks.items()},
            "matches": dict(self.matches),
            "regions": {key: [shape.to_dict() for shape in shapes] for key, shapes in self.regions.items()},
            "note": self.note,
        }


_FIELDS = ("part", "view", "fit", "faults", "grade", "modes", "marks", "matches", "regions", "note")


def _read(body: object, limits: Limits | None) -> Label:
    label = _mapping("label", body)
    for key in label:
        if key not in _FIELDS:
            raise LabelError(str(key), f"unknown; a label has {', '.join(_FIELDS)}.")
    part = _one_of("part", label.get("part"), (*PARTS, NONE))
    views = PARTS[part].views if part in PARTS else ()
    view = None if label.get("view") is None else _one_of("view", label["view"], views)
    fit = label.get("fit", True)
    if not isinstance(fit, bool):
        raise LabelError("fit", f"must be true or false, is {fit!r}.")
    faults = tuple(_one_of("faults", kind, tuple(FaultKind)) for kind in _sequence("faults", label.get("faults", ())))
    if fit and faults:
        raise LabelError("faults", "a photo that is fit to judge has none.")
    if not fit and not faults and part != NONE:
        raise LabelError("faults", "say what makes the photo unfit.")
    questions = asked(part, view, limits) if fit else NOTHING_ASKED
    grade = None if label.get("grade") is None else _grade(label["grade"], questions)
    modes = _modes(label.get("modes"), questions)
    _demand_agreement(grade, modes, questions)
    note = label.get("note", "")
    if not isinstance(note, str) or len(note) > MOST_NOTE:
        raise LabelError("note", f"must be a text of up to {MOST_NOTE} characters.")
    return Label(
        part,
        view,
        fit,
        tuple(dict.fromkeys(faults)),
        grade,
        MappingProxyType(modes),
        MappingProxyType(_marks(label.get("marks"), questions)),
        MappingProxyType(_matches(label.get("matches"), questions)),
        MappingProxyType(_regions(label.get("regions"), questions)),
        note,
    )


def _grade(value: object, questions: Asked) -> Grade:
    if questions is NOTHING_ASKED:
        raise LabelError("grade", "needs a part, its view and a photo that is fit to judge.")
    reach = {grade for _, grades in questions.modes for grade in grades}
    return _one_of("grade", value, tuple(grade for grade in GRADES if grade in reach))


def _modes(value: object, questions: Asked) -> dict[str, str]:
    found = {}
    for key, answer in _asked_for("modes", value, tuple(mode.key for mode, _ in questions.modes)).items():
        found[key] = _one_of(f"modes.{key}", answer, (ABSENT, *(questions.grades(key) or ()), NOT_SEEN))
    return found


def _demand_agreement(grade: Grade | None, modes: Mapping[str, str], questions: Asked) -> None:
    """The grade of a part is that of its worst mode, so far as the modes were asked."""
    said = [graded for answer in modes.values() if (graded := grade_of_answer(answer)) is not None]
    if grade is None:
        if said:
            raise LabelError("grade", "is missing, although a mode was graded.")
        return
    if worst(said) != grade and GRADES.index(worst(said)) > GRADES.index(grade):
        raise LabelError("grade", f"is {grade}, although a mode is {worst(said)}; the worst mode decides.")
    if grade != GRADES[0] and worst(said) != grade and not could_be(grade, modes, questions):
        raise LabelError("grade", f"is {grade}, although no mode is; say which one, or leave it unanswered.")


def grade_of_answer(answer: str) -> Grade | None:
    """The grade that an answer about a mode stands for; None for *not seen*."""
    if answer == ABSENT:
        return GRADES[0]
    return next((grade for grade in GRADES if grade == answer), None)


def could_be(grade: Grade, modes: Mapping[str, str], questions: Asked) -> tuple[str, ...]:
    """The modes that no answer was given for and that can give the grade."""
    return tuple(mode.key for mode, grades in questions.modes if mode.key not in modes and grade in grades)


def _marks(value: object, questions: Asked) -> dict[str, Shape]:
    kinds = {mark.key: mark.shape for mark in questions.marks}
    return {
        key: _shape(f"marks.{key}", shape, (kinds[key],))
        for key, shape in _asked_for("marks", value, tuple(kinds)).items()
    }


def _regions(value: object, questions: Asked) -> dict[str, tuple[Shape, ...]]:
    found = {}
    for key, shapes in _asked_for("regions", value, tuple(mark.key for mark in questions.regions)).items():
        where = f"regions.{key}"
        drawn = _sequence(where, shapes)
        if len(drawn) > MOST_SHAPES:
            raise LabelError(where, f"has {len(drawn)} shapes; {MOST_SHAPES} at most.")
        if drawn:
            found[key] = tuple(
                _shape(f"{where}.{number}", shape, ("polygon", "brush")) for number, shape in enumerate(drawn)
            )
    return found


def _matches(value: object, questions: Asked) -> dict[str, float]:
    found = {}
    for key, step in _asked_for("matches", value, questions.matches).items():
        number = _number(f"matches.{key}", step, 0.0, 0.9)
        if abs(number / STEP - round(number / STEP)) > 1e-6:
            raise LabelError(f"matches.{key}", f"must be a step of {STEP:g}, is {number:g}.")
        found[key] = round(round(number / STEP) * STEP, 1)
    return found


_LEAST = {"outline": 3, "line": 2, "polygon": 3, "brush": 1}
_SHAPE_FIELDS = {"shape", "points", "erase", "radius"}


def _shape(where: str, value: object, kinds: tuple[str, ...]) -> Shape:
    shape = _mapping(where, value)
    if unknown := sorted(str(key) for key in shape if key not in _SHAPE_FIELDS):
        raise LabelError(f"{where}.{unknown[0]}", "unknown.")
    kind: ShapeKind = _one_of(f"{where}.shape", shape.get("shape"), tuple(k for k in get_args(ShapeKind) if k in kinds))
    points = _sequence(f"{where}.points", shape.get("points"))
    if not _LEAST[kind] <= len(points) <= MOST_POINTS:
        raise LabelError(f"{where}.points", f"{len(points)} points; from {_LEAST[kind]} to {MOST_POINTS} are needed.")
    found = tuple(_point(f"{where}.points.{number}", point) for number, point in enumerate(points))
    erase, radius = shape.get("erase", False), 0.0
    if not isinstance(erase, bool) or (erase and kind not in ("polygon", "brush")):
        raise LabelError(f"{where}.erase", "must be true or false, and true for a polygon or brush only.")
    if kind == "brush":
        radius = _number(f"{where}.radius", shape.get("radius"), 0.0, 0.5)
        if radius == 0:
            raise LabelError(f"{where}.radius", "must be more than 0.")
    elif shape.get("radius"):
        raise LabelError(f"{where}.radius", "belongs to a brush only.")
    return Shape(kind, found, erase, radius)


def _point(where: str, value: object) -> Point:
    pair = _sequence(where, value)
    if len(pair) != 2:
        raise LabelError(where, f"must be x and y, is {len(pair)} numbers.")
    return _number(where, pair[0], 0.0, 1.0), _number(where, pair[1], 0.0, 1.0)


def _number(where: str, value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise LabelError(where, f"must be a number, is {value!r:.40}.")
    if not low <= value <= high:
        raise LabelError(where, f"must lie from {low:g} to {high:g}, is {value:g}.")
    return float(value)


def _mapping(where: str, value: object) -> Mapping[Any, Any]:
    if not isinstance(value, Mapping):
        raise LabelError(where, f"must be an object, is {value!r:.40}.")
    return value


def _sequence(where: str, value: object) -> Sequence[Any]:
    if not isinstance(value, Sequence) or isinstance(value, str | bytes):
        raise LabelError(where, f"must be a list, is {value!r:.40}.")
    return value


def _asked_for(where: str, value: object, known: tuple[str, ...]) -> Mapping[Any, Any]:
    """The mapping of a field, whose keys must be among those asked; None is as good as empty."""
    found = _mapping(where, {} if value is None else value)
    for key in found:
        if key not in known:
            raise LabelError(f"{where}.{key}", f"is not asked here; asked are {', '.join(known) or 'none'}.")
    return found


def _one_of(where: str, value: object, known: tuple[Any, ...]) -> Any:
    for one in known:
        if isinstance(value, str) and value == one:
            return one if not isinstance(one, FaultKind) else str(one)
    raise LabelError(where, f"must be one of {', '.join(map(str, known)) or 'nothing here'}, is {value!r:.40}.")


__all__ = ["ABSENT", "NONE", "NOT_SEEN", "Asked", "Label", "LabelError", "Shape", "asked"]
