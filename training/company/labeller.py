"""A simulated person who labels: knows the true wear, answers as quickly as the desk allows, and slips now and then."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from wearvision.labels.label import ABSENT, NONE, NOT_SEEN, Label, asked, grade_of_answer
from wearvision.labels.label_reading import STEP
from wearvision.standard.grades import GRADES, worst
from wearvision.standard.limits import load_limits

SEEN_WITHIN = 0.15
"""Relative standard deviation with which wear is judged by eye: whoever labels errs near the limits."""
SLIPS = 0.005
"""Share of answers about a mode that are any grade, wherever the limits lie."""
MATCHED_WITHIN = 0.05
"""Standard deviation of what is chosen beside a comparison series."""
BARELY = 0.2
"""Wear under this share of where *serviceable* ends is called absent."""


def label_of(truth: Mapping[str, Any], rng: np.random.Generator) -> Label:
    """What this person says of a photo: part, view, each mode's grade, film and haze by the series; no marks.

    Args:
        truth: As ``dataset.truth_of`` makes it.
        rng: All chance comes from it.
    """
    if truth["part"] == NONE:
        return Label(NONE)
    limits = load_limits()
    questions = asked(truth["part"], truth["view"])
    modes: dict[str, str] = {}
    for mode, possible in questions.modes:
        value = truth["measures"].get(mode.measure)
        if value is None:
            modes[mode.key] = NOT_SEEN
            continue
        row = limits.row(truth["part"], mode.measure)
        seen = value * float(np.exp(rng.normal(0, SEEN_WITHIN)))
        grade = str(rng.choice(list(possible))) if rng.random() < SLIPS else row.grade_of(seen)
        ends = row.splits[0][0]
        modes[mode.key] = ABSENT if grade == GRADES[0] and value < BARELY * ends else grade
    matches = {
        name: float(np.clip(round((truth["measures"][name] + rng.normal(0, MATCHED_WITHIN)) / STEP) * STEP, 0.0, 0.9))
        for name in questions.matches
        if truth["measures"].get(name) is not None
    }
    said = [found for answer in modes.values() if (found := grade_of_answer(answer)) is not None]
    body = {"part": truth["part"], "view": truth["view"], "modes": modes, "matches": matches}
    return Label.read({**body, "grade": worst(said) if said else None})
