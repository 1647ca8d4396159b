"""Two models on the same pictures, pair by pair."""

from __future__ import annotations

from typing import Any

from wearvision.parts import PARTS
from wearvision_training.assessment.answers import Answers, Case
from wearvision_training.assessment.intervals import SILENT, f1_difference, mcnemar, mean
from wearvision_training.assessment.measures import limit_of

Pairs = list[tuple[Case, Case]]


def compare(ours: Answers, other: Answers) -> dict[str, Any]:
    """The first model against another: a positive difference in macro-F1, a negative one in error, is for the first.

    Raises:
        ValueError: the two were not given the same pictures.
    """
    if list(ours.truths) != list(other.truths):
        raise ValueError(f"two models are compared on the same pictures; got {len(ours)} and {len(other)} others")
    pairs = [(a, b) for a, b in zip(ours, other, strict=True) if a.is_part]
    return {
        "mcnemar": _mcnemar(pairs),
        "macro_f1_difference": _macro_f1(
            [(a, b) for a, b in pairs if a.clear and a.said is not None and b.said is not None]
        ),
        "macro_f1_difference_refused_wrong": _macro_f1([(a, b) for a, b in pairs if a.clear]),
        "missed": {"ours": sum(a.missed for a, _ in pairs), "other": sum(b.missed for _, b in pairs)},
        "measures": _measures(pairs),
    }


def _mcnemar(pairs: Pairs) -> dict[str, Any]:
    """Which of the two gave an acceptable grade; a photo that was turned away has none."""
    ours, other = sum(a.right and not b.right for a, b in pairs), sum(b.right and not a.right for a, b in pairs)
    both = sum(a.right and b.right for a, b in pairs)
    return {
        "both": both,
        "only_ours": ours,
        "only_other": other,
        "neither": len(pairs) - both - ours - other,
        "p": mcnemar(ours, other),
    }


def _macro_f1(pairs: Pairs) -> dict[str, Any]:
    truth = [a.truth["grade"] for a, _ in pairs]
    said = [[b.said or SILENT for _, b in pairs], [a.said or SILENT for a, _ in pairs]]
    made: dict[str, Any] = f1_difference([truth, truth], said)
    return made


def _measures(pairs: Pairs) -> dict[str, Any]:
    """Mean absolute error of the first less that of the other, where worn and measured by both."""
    made: dict[str, Any] = {}
    for part, spec in PARTS.items():
        for name in (mode.measure for mode in spec.modes):
            limit = limit_of(part, name)
            worn = [
                (pair, float(pair[0].truth["measures"][name]))
                for pair in pairs
                if pair[0].truth["part"] == part and pair[0].truth["measures"].get(name, -1.0) >= limit
            ]
            errors = [
                [abs(float(line["value"]) - truth) for line in lines if line is not None]
                for pair, truth in worn
                if all(lines := [case.line(name) for case in pair])
            ]
            if errors:
                ours, other = (sum(side) / len(errors) for side in zip(*errors, strict=True))
                made[f"{part}.{name}"] = {"ours": ours, "other": other, "difference": mean([a - b for a, b in errors])}
    return made
