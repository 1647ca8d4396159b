"""How well each measure is read: error where worn, false alarms where absent, and whether intervals hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from wearvision.parts import PARTS
from wearvision.standard import Row as Limit
from wearvision.standard import load_limits
from wearvision_training.assessment.answers import Case
from wearvision_training.assessment.intervals import mean, share, share_of
from wearvision_training.scores import absolute_error

ABSENT = 0.25
"""Under this share of the serviceable limit a mode counts as absent."""
EDGE = 1e-9


def limit_of(part: str, measure: str) -> float:
    """The value from which a mode counts as worn: the end of serviceable."""
    return load_limits().row(part, measure).serviceable_below


def unit_of(part: str, measure: str) -> float:
    """The measure's worst limit, in which errors of different measures are compared."""
    row = load_limits().row(part, measure)
    return row.replace_from or row.clean_from or row.serviceable_below


def measure_table(cases: Sequence[Case]) -> dict[str, Any]:
    """Figures by ``part.measure``, over judged pictures of a part whose label has the measure."""
    made: dict[str, Any] = {}
    for part, spec in PARTS.items():
        for mode in spec.modes:
            own = [case for case in cases if case.truth["part"] == part and mode.measure in case.truth["measures"]]
            if any(case.line(mode.measure) for case in own):
                made[f"{part}.{mode.measure}"] = _entry(own, load_limits().row(part, mode.measure))
    return made


def _entry(cases: Sequence[Case], row: Limit) -> dict[str, Any]:
    lines = [(float(case.truth["measures"][row.measure]), case.line(row.measure)) for case in cases]
    found = [(truth, line) for truth, line in lines if line is not None]
    truth = np.array([value for value, _ in found])
    said = np.array([float(line["value"]) for _, line in found])
    held = np.array([line["low"] - EDGE <= value <= line["high"] + EDGE for value, line in found])
    width = np.array([line["high"] - line["low"] for _, line in found])
    limit = row.serviceable_below
    worn, absent = truth >= limit, truth < limit * ABSENT
    entry: dict[str, Any] = {
        "worn": int(worn.sum()),
        "worn_unmeasured": sum(value >= limit and line is None for value, line in lines),
        "absent": int(absent.sum()),
        "limit": limit,
        "error": None,
        "constant_error": None,
        "interval_holds": share(int(held[worn].sum()), int(worn.sum())),
        "interval_holds_everywhere": share(int(held.sum()), len(held)),
        "interval_width": float(np.median(width[worn])) if worn.any() else None,
        "false_alarm": share(int((said[absent] >= limit).sum()), int(absent.sum())),
        "present_f1": present_f1(lines, row),
        "points": [[round(t, 4), round(s, 4)] for t, s in zip(truth.tolist(), said.tolist(), strict=True)],
    }
    if worn.any():
        entry["error"], entry["constant_error"] = absolute_error(truth[worn], said[worn])
        entry["error_interval"] = mean(np.abs(truth - said)[worn])
    return entry


def present_f1(lines: Sequence[tuple[float, Any]], row: Limit) -> dict[str, Any]:
    """F1 of *this wear is there*: value at or over the serviceable limit, outside the guard band of the truth.

    Wear that is there and was not measured counts as missed.
    """
    upper = row.replace_from if row.any_is_replace or row.clean_from is None else row.clean_from
    sure = [(t, line) for t, line in lines if t < row.serviceable_below or t >= (upper or row.serviceable_below)]
    truth = [value >= row.serviceable_below for value, _ in sure]
    said = [line is not None and line["value"] >= row.serviceable_below for _, line in sure]
    both = sum(t and s for t, s in zip(truth, said, strict=True))
    there = sum(truth) + sum(said)
    return {
        "value": 2 * both / there if sum(truth) else None,
        "of": sum(truth),
        "found": share_of([s for t, s in zip(truth, said, strict=True) if t]),
        "false": share_of([s for t, s in zip(truth, said, strict=True) if not t]),
    }
