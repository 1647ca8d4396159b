"""Old against new on the same held-out photos: the figures of ``report.json``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from wearvision.labels.truth import Truth
from wearvision.parts import PARTS
from wearvision_training.assessment.answers import Case
from wearvision_training.assessment.intervals import SILENT, f1, f1_difference, mcnemar, mean, rare, share_of

Figures = dict[str, Any]
Pair = tuple[Case, Case]
"""One picture as the old and as the new model answered it."""


def truth_row(truth: Truth) -> dict[str, Any]:
    """A site's truth in the form in which pictures are assessed; values only where they were measured."""
    return {
        "part": truth.part,
        "view": truth.view,
        "measures": {name: one.value for name, one in truth.bounds.items() if one.value is not None},
        "grade": truth.grade,
        "acceptable_grades": list(truth.acceptable_grades),
        "borderline": len(truth.acceptable_grades) > 1,
    }


def pairs(
    truths: Sequence[Mapping[str, Any]], old: Sequence[Mapping[str, Any]], new: Sequence[Mapping[str, Any]]
) -> list[Pair]:
    """Truth and both answers of each picture that shows a part and has a grade."""
    rows = enumerate(zip(truths, old, new, strict=True))
    every = [(Case(at, truth, one, {}), Case(at, truth, other, {})) for at, (truth, one, other) in rows]
    return [(one, other) for one, other in every if one.is_part and one.truth["grade"] is not None]


def side(cases: Sequence[Case]) -> Figures:
    """How one model did.

    Macro-F1 counts a photo that was turned away as wrong, and so does not grow by refusing what is hard.
    """
    judged = [case for case in cases if case.said is not None]
    replaces = [case for case in cases if list(case.truth["acceptable_grades"]) == ["replace"]]
    hits = [bool({*case.truth["acceptable_grades"]} & {*case.report["possible_grades"]}) for case in judged]
    return {
        "macro_f1": f1([case.resolved for case in cases], [case.said or SILENT for case in cases]),
        "missed": rare(sum(case.missed for case in replaces), len(replaces)),
        "refused": share_of([case.said is None for case in cases]),
        "in_set": share_of(hits),
        "set_size": mean([len(case.report["possible_grades"]) for case in judged])["value"],
    }


def compared(some: Sequence[Pair]) -> Figures:
    """Both models, and their difference picture by picture."""
    old, new = [one for one, _ in some], [other for _, other in some]
    only_new = sum(b.right and not a.right for a, b in some)
    only_old = sum(a.right and not b.right for a, b in some)
    return {
        "n": len(some),
        "old": side(old),
        "new": side(new),
        "f1_difference": f1_difference(
            [[case.resolved for case in cases] for cases in (old, new)],
            [[case.said or SILENT for case in cases] for cases in (old, new)],
        ),
        "mcnemar": {"only_new": only_new, "only_old": only_old, "p": mcnemar(only_new, only_old)},
    }


def by_part(some: Sequence[Pair]) -> dict[str, Figures]:
    """``compared`` of all, and of each part by itself."""
    own = {part: [pair for pair in some if pair[0].truth["part"] == part] for part in PARTS}
    return {"all": compared(some), **{part: compared(of) for part, of in own.items()}}


def missed(some: Sequence[Pair], names: Sequence[str]) -> list[dict[str, Any]]:
    """Photos of parts surely to be replaced that one of the two calls serviceable.

    Args:
        some: Of the held-out photos.
        names: SHA-256 of each photo, by its place.
    """
    return [
        {
            "sha256": names[old.index],
            "part": old.truth["part"],
            "truth": old.truth["grade"],
            "old": old.said,
            "new": new.said,
        }
        for old, new in some
        if old.missed or new.missed
    ]
