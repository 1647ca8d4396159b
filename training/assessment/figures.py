"""How often a model was right on a labelled set: every figure as plain JSON values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision_training.assessment.answers import Answers, Case
from wearvision_training.assessment.intervals import SAID, SILENT, f1, mean, rare, share, share_of
from wearvision_training.assessment.measures import measure_table
from wearvision_training.assessment.reliability import reliability
from wearvision_training.assessment.strata import strata

NO_PART = "none"


def evaluate(answers: Answers) -> dict[str, Any]:
    """All figures of a graded set.

    A picture refused as unfit or as not a part has no grade: it counts against ``part`` and ``answered``, and the
    grade figures are over the pictures that were answered, but for ``macro_f1_refused_wrong``.
    """
    parts, judged = answers.cases(), answers.judged()
    named = [case for case in parts if case.report["part"]["name"] is not None]
    return {
        "pictures": len(answers),
        "part": share_of([case.truth["part"] == case.report["part"]["name"] for case in parts]),
        "part_when_named": share_of([case.truth["part"] == case.report["part"]["name"] for case in named]),
        "view": share_of([case.truth["view"] == case.report["part"]["view"] for case in named]),
        **_turned_away(answers),
        "answered": share(len(judged), len(parts)),
        "unfit_faults": dict(Counter(fault["kind"] for case in parts for fault in case.report["faults"])),
        **_grades(parts, judged),
        **_possible(judged),
        **_probabilities(judged),
        "by_part": {part: _f1([c for c in judged if c.clear and c.truth["part"] == part]) for part in PARTS},
        "confusion": {part: confusion([c for c in parts if c.clear and c.truth["part"] == part]) for part in PARTS},
        "parts_confusion": _parts_confusion(answers),
        "measures": measure_table(judged),
        "strata": strata(parts),
    }


def _turned_away(answers: Answers) -> dict[str, Any]:
    others = [case for case in answers if not case.is_part]
    fit = answers.cases(lambda case: case.fit)
    return {
        "not_parts_refused": share_of([case.said is None for case in others]),
        "not_parts_refused_as_such": share_of([case.refused for case in others]),
        "fit_refused_as_not_a_part": share_of([case.refused for case in fit]),
        "fit_named_unfit": share_of([case.named_unfit for case in fit]),
    }


def _grades(parts: Sequence[Case], judged: Sequence[Case]) -> dict[str, Any]:
    clear = [case for case in judged if case.clear]
    asked = [case for case in parts if case.clear]
    replaces = [case for case in judged if list(case.truth["acceptable_grades"]) == ["replace"]]
    alone = [case for case in replaces if list(case.report["possible_grades"]) == ["serviceable"]]
    return {
        "macro_f1_clear": _f1(clear),
        "macro_f1_all": _f1(judged),
        "macro_f1_refused_wrong": f1([case.truth["grade"] for case in asked], [case.said or SILENT for case in asked]),
        "grade_acceptable": share_of([case.right for case in judged]),
        "replace_called_serviceable": rare(sum(case.missed for case in replaces), len(replaces)),
        "replace_called_serviceable_without_doubt": rare(len(alone), len(replaces)),
        "by_grade": {grade: _precision_and_recall(clear, grade) for grade in GRADES},
    }


def _f1(cases: Sequence[Case]) -> dict[str, Any]:
    made: dict[str, Any] = f1([case.resolved for case in cases], [str(case.said) for case in cases])
    return made


def _precision_and_recall(cases: Sequence[Case], grade: str) -> dict[str, Any]:
    return {
        "precision": share_of([case.truth["grade"] == grade for case in cases if case.said == grade]),
        "recall": share_of([case.said == grade for case in cases if case.truth["grade"] == grade]),
    }


def _possible(judged: Sequence[Case]) -> dict[str, Any]:
    """How often the possible grades hold the truth, and how many they are."""

    def size(cases: Sequence[Case]) -> dict[str, Any]:
        made: dict[str, Any] = mean([len(case.report["possible_grades"]) for case in cases])
        return made

    def holds(cases: Sequence[Case]) -> dict[str, Any]:
        hits = [bool({*case.truth["acceptable_grades"]} & {*case.report["possible_grades"]}) for case in cases]
        made: dict[str, Any] = share_of(hits)
        return made

    clear, border = [c for c in judged if c.clear], [c for c in judged if not c.clear]
    replaces = [case for case in judged if list(case.truth["acceptable_grades"]) == ["replace"]]
    sizes = Counter(len(case.report["possible_grades"]) for case in judged)
    return {
        "possible_grades_hold_truth": holds(judged),
        "possible_grades_hold_replace": holds(replaces),
        "possible_by_grade": {g: holds([c for c in clear if c.truth["grade"] == g]) for g in GRADES},
        "possible_clear": holds(clear),
        "possible_borderline": holds(border),
        "mean_set_size": size(judged)["value"],
        "set_size": {"all": size(judged), "clear": size(clear), "borderline": size(border)},
        "set_sizes": {str(count): sizes[count] for count in sorted(sizes)},
    }


def _probabilities(judged: Sequence[Case]) -> dict[str, Any]:
    found = reliability([case for case in judged if case.clear])
    return {"brier": found["brier"], "ece": found["ece"], "ece_replace": found["ece_replace"], "reliability": found}


def confusion(cases: Sequence[Case]) -> dict[str, dict[str, int]]:
    """True grade to answered grade, with the photos that were turned away in a column of their own."""
    counted = Counter((case.truth["grade"], case.said or SILENT) for case in cases)
    return {true: {said: counted[true, said] for said in SAID} for true in GRADES}


def _parts_confusion(answers: Answers) -> dict[str, dict[str, int]]:
    """True part to named part; a photo refused as not a part is named ``none``."""
    names = (*PARTS, NO_PART)
    counted = Counter((case.truth["part"], case.report["part"]["name"] or NO_PART) for case in answers)
    return {true: {said: counted[true, said] for said in names} for true in names}
