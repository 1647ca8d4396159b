"""Do the stated probabilities hold: Brier score, calibration error, and the bins of a reliability diagram."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.standard.grades import GRADES
from wearvision_training.assessment.answers import Case
from wearvision_training.assessment.intervals import mean, share

BINS = 15
"""Of equal width, as usual for this figure (Guo and others, 2017)."""


def brier(probabilities: NDArray[np.float64], truth: NDArray[np.int64]) -> NDArray[np.float64]:
    """The Brier score of each picture: the sum over classes of (p - y)^2, 0 to 2; for two classes twice the short form.

    Args:
        probabilities: (N, K), rows sum to 1.
        truth: (N,) the true class.
    """
    return np.asarray(((probabilities - np.eye(probabilities.shape[1])[truth]) ** 2).sum(1))


def bins(confidence: NDArray[np.float64], hit: NDArray[np.bool_], count: int = BINS) -> list[dict[str, Any]]:
    """Bins of equal width over 0 to 1 that hold something: mean confidence, and the share of hits with its interval."""
    # Half-open upwards as in the source: a confidence on an edge belongs to the bin below it.
    place = np.clip(np.ceil(confidence * count).astype(int) - 1, 0, count - 1)
    made = []
    for number in np.unique(place):
        inside = place == number
        made.append(
            {"confidence": float(confidence[inside].mean()), **share(int(hit[inside].sum()), int(inside.sum()))}
        )
    return made


def expected_calibration_error(found: Sequence[dict[str, Any]]) -> float | None:
    """Mean distance of confidence and share of hits over the bins, weighted by what they hold.

    It is biased upwards where bins hold few pictures. Source: Guo and others (2017).
    """
    total = sum(one["of"] for one in found)
    if not total:
        return None
    return float(sum(one["of"] * abs(one["value"] - one["confidence"]) for one in found) / total)


def reliability(cases: Sequence[Case]) -> dict[str, Any]:
    """Brier score, expected calibration error and bins: of the likeliest grade, and of the probability of replace.

    Args:
        cases: Judged pictures with one right grade each.
    """
    told = [case for case in cases if set(case.report.get("probabilities", {})) == set(GRADES)]
    stated = np.array([[case.report["probabilities"][grade] for grade in GRADES] for case in told], np.float64)
    stated = stated.reshape(-1, len(GRADES))
    truth = np.array([GRADES.index(case.truth["grade"]) for case in told], np.int64)
    top = bins(stated.max(1), stated.argmax(1) == truth) if told else []
    last = GRADES.index("replace")
    replace = bins(stated[:, last], truth == last) if told else []
    return {
        "brier": mean(brier(stated, truth) if told else []),
        "ece": expected_calibration_error(top),
        "ece_replace": expected_calibration_error(replace),
        "top": top,
        "replace": replace,
    }
