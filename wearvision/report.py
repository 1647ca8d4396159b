"""The answer about a part: everything a person or a program needs, in the form of the JSON contract."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.inputs import Inputs
from wearvision.standard.grades import Grade


@dataclass(frozen=True, slots=True)
class MeasureLine:
    """One measure in a report.

    Attributes:
        name: The measure, such as ``"haze"``.
        mode: The wear mode it belongs to.
        value: Best estimate, None where the photo does not carry it.
        low: Lower end of the calibrated interval.
        high: Upper end.
        unit: ``"1"`` or an SI symbol.
        grade: What this measure alone says; None where unmeasured.
        reason: Why there is no value.
        note: One sentence for a person.
        agree: False where network and geometry differ so much that the interval was widened for it.
    """

    name: str
    mode: str
    value: float | None
    low: float | None = None
    high: float | None = None
    unit: str = "1"
    grade: Grade | None = None
    reason: str | None = None
    note: str = ""
    agree: bool = True

    def to_dict(self) -> dict[str, Any]:
        """As in the contract: numbers rounded to four places, ``reason`` only where there is no value."""
        if self.value is None:
            line: dict[str, Any] = {"name": self.name, "mode": self.mode, "value": None, "reason": self.reason}
        else:
            line = {
                "name": self.name,
                "mode": self.mode,
                "value": _round(self.value),
                "low": _round(self.low),
                "high": _round(self.high),
                "unit": self.unit,
                "grade": self.grade,
                "agree": self.agree,
            }
        if self.note:
            line["note"] = self.note
        return line


@dataclass(frozen=True, slots=True)
class SettingLine:
    """A setting (not wear) that a scale in the picture made measurable; ``within`` is None until a chart is chosen."""

    name: str
    value: float
    low: float
    high: float
    unit: str = "mm"
    within: bool | None = None
    note: str = ""

    def to_dict(self) -> dict[str, Any]:
        """As in the contract."""
        return {
            "name": self.name,
            "value": _round(self.value),
            "low": _round(self.low),
            "high": _round(self.high),
            "unit": self.unit,
            "within": self.within,
            **({"note": self.note} if self.note else {}),
        }


@dataclass(frozen=True, slots=True)
class Picture:
    """What an overlay is drawn on: the square that was judged, with its regions. Not part of the JSON."""

    image: NDArray[np.uint8]
    regions: Mapping[str, NDArray[np.float32]]
    traces: Mapping[str, NDArray[np.float64]]
    name: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """The answer about one photo, or about several photos of one part.

    Attributes:
        photo: Name of the photo, or names joined by commas.
        sha256: Of the photo's bytes (of the joined hashes, for several).
        usable: False if the photo is unfit or shows no part; then ``grade`` is None.
        faults: What is wrong with the photo, each with advice.
        part: ``{"name", "probability", "view"}``.
        refusal: Why no part was recognised, one sentence, or None.
        grade: What these photos show.
        possible_grades: Every grade reachable inside the intervals.
        probabilities: Of each grade.
        standing: ``"photo only"`` until a hand check comes back.
        not_seen: Modes that these photos could have shown and did not.
        views_missing: Views still needed to clear the part.
        measures: One line a measure.
        settings: One line a setting.
        checks: Hand checks, as the contract has them.
        causes: What ruins such a part, each with what to look at.
        cautions: Safety lines that hold for the whole job.
        model: Id, hash and what it was calibrated on.
        limits: Id and hash of the limits in force.
        milliseconds: Time by step.
        inputs: What each photo is like, by which a change of camera or light is noticed.
        pictures: For overlays.
        basis: Of each photo its view and measures before limits; not part of the JSON (see ``wearvision.regrade``).
    """

    photo: str
    sha256: str
    usable: bool
    faults: tuple[Any, ...] = ()
    part: Mapping[str, Any] = field(default_factory=lambda: {"name": None, "probability": 0.0, "view": None})
    refusal: str | None = None
    grade: Grade | None = None
    possible_grades: tuple[Grade, ...] = ()
    probabilities: Mapping[str, float] = field(default_factory=dict)
    standing: str = "photo only"
    not_seen: tuple[str, ...] = ()
    views_missing: tuple[str, ...] = ()
    measures: tuple[MeasureLine, ...] = ()
    settings: tuple[SettingLine, ...] = ()
    checks: tuple[Any, ...] = ()
    causes: tuple[Any, ...] = ()
    cautions: tuple[str, ...] = ()
    model: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    milliseconds: Mapping[str, float] = field(default_factory=dict)
    inputs: tuple[Inputs, ...] = ()
    pictures: tuple[Picture, ...] = ()
    basis: tuple[Any, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The JSON report of the contract, of plain values only."""
        return {
            "photo": self.photo,
            "sha256": self.sha256,
            "usable": self.usable,
            "faults": [fault.to_dict() for fault in self.faults],
            "part": dict(self.part),
            "refusal": self.refusal,
            "grade": self.grade,
            "possible_grades": list(self.possible_grades),
            "probabilities": {name: _round(value) for name, value in self.probabilities.items()},
            "standing": self.standing,
            "not_seen": list(self.not_seen),
            "views_missing": list(self.views_missing),
            "measures": [line.to_dict() for line in self.measures],
            "settings": [line.to_dict() for line in self.settings],
            "checks": [check.to_dict() for check in self.checks],
            "causes": [cause.to_dict() for cause in self.causes],
            "cautions": list(self.cautions),
            "model": dict(self.model),
            "limits": dict(self.limits),
            "milliseconds": {name: round(value, 1) for name, value in self.milliseconds.items()},
            "inputs": [one.to_dict() for one in self.inputs],
        }


def _round(value: float | None) -> float | None:
    return None if value is None else round(float(value), 4)
