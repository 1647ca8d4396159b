"""What one person says of a photo: the label, the one form of it, and what is asked of which part and view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from wearvision.errors import InputError
from wearvision.parts import PARTS, Mark, Mode
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, load_limits

NONE = "none"
"""Part of a label that says: this is none of the parts."""

ABSENT, NOT_SEEN = "absent", "not seen"
"""Answers about a mode beside the grades: no trace of it; the photo can't show it."""

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
        from wearvision.labels.label_reading import read_label  # it makes labels, so it knows this module

        return read_label(body, limits)

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


def grade_of_answer(answer: str) -> Grade | None:
    """The grade that an answer about a mode stands for; None for *not seen*."""
    if answer == ABSENT:
        return GRADES[0]
    return next((grade for grade in GRADES if grade == answer), None)


def could_be(grade: Grade, modes: Mapping[str, str], questions: Asked) -> tuple[str, ...]:
    """The modes that no answer was given for and that can give the grade."""
    return tuple(mode.key for mode, grades in questions.modes if mode.key not in modes and grade in grades)


__all__ = ["ABSENT", "NONE", "NOT_SEEN", "Asked", "Label", "LabelError", "Shape", "asked"]
