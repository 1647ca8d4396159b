"""Reads a label from its JSON form, field by field, and says which field is wrong."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from typing import Any, get_args

from wearvision.faults import FaultKind
from wearvision.labels.label import (
    ABSENT,
    NONE,
    NOT_SEEN,
    NOTHING_ASKED,
    Asked,
    Label,
    LabelError,
    Point,
    Shape,
    ShapeKind,
    asked,
    could_be,
    grade_of_answer,
)
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import Limits

STEP = 0.1
"""Step of a comparison series."""

MOST_POINTS = 5000
MOST_SHAPES = 500
MOST_NOTE = 2000

_FIELDS = ("part", "view", "fit", "faults", "grade", "modes", "marks", "matches", "regions", "note")


def read_label(body: object, limits: Limits | None = None) -> Label:
    """As ``Label.read``."""
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
        modes,
        _marks(label.get("marks"), questions),
        _matches(label.get("matches"), questions),
        _regions(label.get("regions"), questions),
        note,
    )


def _grade(value: object, questions: Asked) -> Grade:
    if questions is NOTHING_ASKED:
        raise LabelError("grade", "needs a part, its view and a photo that is fit to judge.")
    reach = {grade for _, grades in questions.modes for grade in grades}
    found: Grade = _one_of("grade", value, tuple(grade for grade in GRADES if grade in reach))
    return found


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
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= sys.float_info.max:
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


__all__ = ["STEP", "read_label"]
