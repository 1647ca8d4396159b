"""How far the figures fall when the same pictures come in worse files or other exposures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wearvision_training.assessment.answers import Answers
from wearvision_training.assessment.intervals import f1_difference, share

NAMED = 0.02
"""A fall of more than this is named."""


def falls(plain: Answers, changed: Mapping[str, Answers]) -> dict[str, Any]:
    """For each change, what it does to macro-F1 on pictures outside guard bands and to the share that is judged.

    Args:
        plain: The answers to the pictures as they are.
        changed: Name of the change to the answers to the changed pictures, in the same order.
    """
    return {name: fall(plain, answers) for name, answers in changed.items()}


def fall(plain: Answers, changed: Answers) -> dict[str, Any]:
    """What one change does. The change in macro-F1 is over the pictures that were judged both times."""
    pairs = [(a, b) for a, b in zip(plain, changed, strict=True) if a.is_part]
    both = [(a, b) for a, b in pairs if a.said is not None and b.said is not None and a.clear]
    change = f1_difference(
        [[a.truth["grade"] for a, _ in both]] * 2, [[str(a.said) for a, _ in both], [str(b.said) for _, b in both]]
    )
    judged = [share(sum(case.said is not None for case in side), len(pairs)) for side in zip(*pairs, strict=True)]
    fewer = (judged[1]["value"] - judged[0]["value"]) if pairs else None
    return {
        "macro_f1_change": change,
        "judged_before": judged[0] if pairs else share(0, 0),
        "judged_after": judged[1] if pairs else share(0, 0),
        "judged_change": fewer,
        "missed_before": sum(a.missed for a, _ in pairs),
        "missed_after": sum(b.missed for _, b in pairs),
        "named": falls_far(change["value"]) or falls_far(fewer),
    }


def falls_far(change: float | None) -> bool:
    """Whether a change is a fall that is to be named."""
    return change is not None and change < -NAMED
