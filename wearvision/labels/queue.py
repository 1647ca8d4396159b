"""What teaches most: the reasons to label a photo next, how urgent they make it, and the random ones among them.

Whoever labels by urgency sees doubtful and contradicted photos first, so a rate counted over all labels would be that
of the odd ones. Rates are counted over a random sample instead. Every photo draws a lot, between 0 and 1, when it comes
in. At each hand-out, with a chance of one in five, the photo with the lowest lot that is not in the sample yet joins
it, *whatever has become of it*: if it has no label it is handed out, if it was labelled by urgency already nobody's
work is spent on it. How many join, and which, depends on coins and lots alone and never on what a photo shows, so the
sample is a fair draw from all that came in, and every rate over it is unbiased. Two other ways would not be: to draw
from those that still wait (the urgent ones have left by then, and dull ones would stand for all), and to go on until
one without a label is met (the sample would always end with one that nothing had made urgent).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np

from wearvision.standard.grades import GRADES

RANDOM_SHARE = 0.2
"""Of the hand-outs, on average, that go by lot."""

WEIGHTS: Mapping[str, float] = {
    "contradicted": 0.9,
    "doubt": 0.6,
    "unlike": 0.5,
    "network and geometry differ": 0.4,
    "rare": 0.3,
}
"""How urgent a reason alone makes a photo at most; the project's own choice, no published source."""

CROWD = 0.5
"""How much each label of the same group lowers the urgency of the others: the photos of one machine resemble each
other. The project's own choice, no published source."""

WRONG = ("contradicted", "overridden", "overridden by eye")
"""Standings of a grade that a person or a reading found wrong."""

Kind = tuple[str, str]
Item = TypeVar("Item", bound=Hashable)


def teaches(
    report: Mapping[str, Any], *, rare: Mapping[Kind, float] | None = None, least_energy: float | None = None
) -> dict[str, float]:
    """Why a photo would teach, by reason; reasons that do not hold are left out.

    Args:
        report: The JSON report of the contract, of this photo. Its ``standing`` counts: *contradicted*, *overridden*
            or *overridden by eye*.
        rare: How rare each (part, grade) is among what was settled, 0 to 1, as ``rarity`` gives it.
        least_energy: The model's limit below which a picture is unlike any that it knows; None: nothing counts as
            unlike.

    Returns:
        Of ``WEIGHTS``' reasons those above 0, each 0 to 1.
    """
    part = str((report.get("part") or {}).get("name") or "none")
    chances = _chances(report)
    measured = [line for line in report.get("measures", ()) if line.get("value") is not None]
    found = {
        "doubt": _doubt(report, chances),
        "network and geometry differ": float(any(line.get("agree") is False for line in measured)),
        "unlike": _unlike(report, least_energy),
        "contradicted": float(report.get("standing") in WRONG),
        "rare": sum(chance * (rare or {}).get((part, grade), 0.0) for grade, chance in chances.items()),
    }
    rounded = {reason: round(min(1.0, score), 4) for reason, score in found.items()}
    return {reason: score for reason, score in rounded.items() if score > 0}


def urgency(reasons: Mapping[str, float]) -> float:
    """How urgent a photo is, 0 to 1: no reason takes away from another one.

    Args:
        reasons: As ``teaches`` gives them.

    Raises:
        KeyError: there is no such reason.
    """
    left = 1.0
    for reason, score in reasons.items():
        left *= 1.0 - WEIGHTS[reason] * score
    return 1.0 - left


def rarity(counts: Mapping[Kind, int]) -> dict[Kind, float]:
    """How rare each kind is beside the most frequent one: 0 for that, 1 for a kind that nobody has met yet."""
    most = max(counts.values(), default=0)
    return {kind: 1.0 - count / most if most else 0.0 for kind, count in counts.items()}


def spread(urgencies: Mapping[Item, float], labelled: Mapping[Item, int]) -> list[Item]:
    """Photos, the one to label first in front: urgency counts less where photos of its group were labelled already.

    Args:
        urgencies: Of each photo, 0 to 1.
        labelled: How many of the photo's group have a label; those not named have none.

    Returns:
        All of them; equal ones keep their order.
    """
    return sorted(urgencies, key=lambda one: -urgencies[one] / (1.0 + CROWD * labelled.get(one, 0)))


def mixed(
    ordered: Sequence[Item], random_ones: Sequence[Item], share: float = RANDOM_SHARE, seed: int = 0
) -> list[Item]:
    """An order in which each next one is taken by lot with a given chance, else by what it teaches.

    A lot that falls on one which is out already is spent, as when the service hands out; the urgent one comes then.

    Args:
        ordered: By urgency, the most urgent first.
        random_ones: By lot, the lowest first; usually the same photos.
        share: Chance that the next one goes by lot, 0 to 1.
        seed: Of the draws.

    Returns:
        Everything in either list, once.
    """
    rng = np.random.default_rng(seed)
    by_lot, by_urgency = iter(random_ones), iter(ordered)
    out: dict[Item, None] = {}
    total = len({*ordered, *random_ones})
    while len(out) < total:
        found = next(by_lot, None) if rng.random() < share else None
        if found is None or found in out:
            found = next((one for lane in (by_urgency, by_lot) for one in lane if one not in out), None)
        if found is not None:
            out[found] = None
    return list(out)


def _chances(report: Mapping[str, Any]) -> dict[str, float]:
    """The probability of each grade; all on the one grade where the report has none."""
    given = report.get("probabilities") or {}
    found = {grade: float(given.get(grade) or 0.0) for grade in GRADES}
    total = sum(found.values())
    if total > 0:
        return {grade: chance / total for grade, chance in found.items()}
    return {str(report.get("grade") or "none"): 1.0}


def _doubt(report: Mapping[str, Any], chances: Mapping[str, float]) -> float:
    """Entropy of the grades' probabilities beside its largest value, or the share of other grades still possible."""
    possible = len(report.get("possible_grades", ()))
    if len(chances) < 2:
        return 0.0
    spread_out = -sum(chance * math.log(chance) for chance in chances.values() if chance > 0) / math.log(len(GRADES))
    return max(min(1.0, spread_out), (possible - 1) / (len(GRADES) - 1) / 2 if possible else 0.0)


def _unlike(report: Mapping[str, Any], least_energy: float | None) -> float:
    """How far the picture is from what the model knows: a half where its energy stands at the limit, more below."""
    inputs = report.get("inputs") or ()
    energies = [float(one["energy"]) for one in inputs if one.get("energy") is not None]
    if least_energy is None or not energies:
        return 0.0
    # A picture that is plainly no part is well known, too: its energy is high.
    return 1.0 / (1.0 + math.exp(min(60.0, max(-60.0, min(energies) - least_energy))))


__all__ = ["RANDOM_SHARE", "WEIGHTS", "WRONG", "mixed", "rarity", "spread", "teaches", "urgency"]
