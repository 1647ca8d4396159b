"""The errors to be looked at one by one, worst first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.grade import Grader
from wearvision.standard.grades import GRADES
from wearvision_training.assessment.answers import Answers, Case
from wearvision_training.assessment.measures import unit_of

MOST = 24
MOST_OTHERS = 8
"""Of photos that were turned away or taken for something else."""


@dataclass(frozen=True, slots=True)
class Worst:
    """One error.

    Attributes:
        index: Place of the picture in the set.
        why: What went wrong, in words.
        family: Of the design.
        truth: True grade, or what it shows.
        answer: What was answered.
        measures: One row a measure: name, truth, value, low, high (None where unmeasured), and whether it is off most.
        off: Largest error of a measure in units of its worst limit.
    """

    index: int
    why: str
    family: str
    truth: str
    answer: str
    measures: tuple[dict[str, Any], ...]
    off: float

    def to_dict(self) -> dict[str, Any]:
        """As JSON values."""
        return asdict(self)


def worst(answers: Answers, most: int = MOST) -> list[Worst]:
    """Replace called serviceable first, then wrong grades and the largest errors of measures, then mistaken parts.

    Args:
        answers: The graded set.
        most: How many of the judged pictures; of each other kind at most ``MOST_OTHERS``.
    """
    ranked = sorted(answers.judged(), key=lambda case: (case.missed, _off(case)[0]), reverse=True)
    wrong_part = answers.cases(lambda case: case.report["part"]["name"] not in (None, case.truth["part"]))
    refused = answers.cases(lambda case: case.fit and case.refused)
    unfit = answers.cases(lambda case: case.fit and case.named_unfit)
    taken = [case for case in answers if not case.is_part and case.said is not None]
    first = [_entry(case, _why(case)) for case in ranked[:most] if _off(case)[0] > 0 or not case.right]
    seen = {entry.index for entry in first}
    return first + [
        _entry(case, why)
        for why, group in (
            ("taken for another part", [case for case in wrong_part if case.index not in seen]),
            ("not a part, but judged", taken),
            ("a fit photo of a part, refused as not a part", refused),
            ("a fit photo, named unfit", unfit),
        )
        for case in _spread(group)
    ]


def _spread(cases: Sequence[Case]) -> Iterable[Case]:
    """At most ``MOST_OTHERS``, from all over the set."""
    return cases[:: max(1, -(-len(cases) // MOST_OTHERS))]


def _off(case: Case) -> tuple[float, str]:
    """The largest error of a measure in units of its worst limit, and which; (0, "") where nothing was measured."""
    part = case.truth["part"]
    if case.report["part"]["name"] != part:
        return 0.0, ""
    apart = [
        (abs(line["value"] - truth) / unit_of(part, name), name)
        for name, truth in case.truth["measures"].items()
        if (line := case.line(name)) is not None
    ]
    return max(apart, default=(0.0, ""))


def _why(case: Case) -> str:
    off, name = _off(case)
    about = f"{name.replace('_', ' ')} off by {off:.2f} of its limit" if name else "no measure to compare"
    if case.missed:
        return f"replace called serviceable; {about}"
    if case.right:
        return f"grade right; {about}"
    step = GRADES.index(str(case.said)) - GRADES.index(case.truth["grade"])
    return f"graded too {'strictly' if step > 0 else 'kindly'}; {about}"


def _entry(case: Case, why: str) -> Worst:
    off, worst_name = _off(case) if case.is_part else (0.0, "")
    rows = []
    for name in dict.fromkeys([*case.truth["measures"], *(line["name"] for line in case.report["measures"])]):
        line = case.line(name) or {}
        ends = {key: line.get(key) for key in ("value", "low", "high")}
        rows.append({"name": name, "truth": case.truth["measures"].get(name), **ends, "worst": name == worst_name})
    return Worst(
        case.index,
        why,
        str(case.truth.get("family", "")),
        _told(case.truth["part"], case.truth["grade"], case.truth["view"]),
        _answer(case),
        tuple(rows),
        round(off, 3),
    )


def _told(part: str, grade: str | None, view: str) -> str:
    return f"{part.replace('_', ' ')}{f' ({view})' if view else ''}: {grade or 'nothing to grade'}"


def _answer(case: Case) -> str:
    report = case.report
    if report["grade"] is not None:
        possible = ", ".join(report["possible_grades"])
        return f"{_told(report['part']['name'], report['grade'], report['part']['view'])} (possible: {possible})"
    return report.get("refusal") or "unfit: " + ", ".join(fault["kind"] for fault in report["faults"])


def squares(folder: Path, images: Sequence[NDArray[np.uint8]]) -> list[NDArray[np.uint8]]:
    """The square of each picture that a model looked at closely, RGB, (S, S, 3) uint8."""
    grader = Grader(model=folder)
    return [grader.grade_image(image).pictures[0].image for image in images]
