"""Figures of merit from labelled answers: plain numbers in, plain numbers out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import f1_score

from wearvision.standard.grades import GRADES

Z95 = 1.959963984540054


def wilson(hits: int, trials: int) -> tuple[float, float]:
    """The 95 % Wilson interval of a proportion; (0, 1) for no trials.

    Source: Wilson (1927); check values in the tests against the outside.
    """
    if trials == 0:
        return 0.0, 1.0
    share = hits / trials
    middle = (share + Z95**2 / (2 * trials)) / (1 + Z95**2 / trials)
    reach = Z95 / (1 + Z95**2 / trials) * np.sqrt(share * (1 - share) / trials + Z95**2 / (4 * trials**2))
    return float(max(0.0, middle - reach)), float(min(1.0, middle + reach))


def macro_f1(truth: Sequence[str], said: Sequence[str]) -> float:
    """Mean over the grades of the F1 score; a grade that is neither true nor said is left out."""
    present = [grade for grade in GRADES if grade in truth or grade in said]
    return float(f1_score(list(truth), list(said), labels=present, average="macro", zero_division=0.0))


def bootstrap(
    score: Callable[[NDArray[np.int64]], float], count: int, *, rounds: int = 500, seed: int = 7
) -> tuple[float, float]:
    """The 95 % percentile interval of a score under resampling of ``count`` pictures.

    Args:
        score: Takes the drawn indices and gives the figure.
        count: Number of pictures.
        rounds: Resamples.
        seed: Of the drawing.
    """
    rng = np.random.default_rng(seed)
    drawn = [score(rng.integers(0, count, count)) for _ in range(rounds)]
    low, high = np.quantile(drawn, (0.025, 0.975))
    return float(low), float(high)


def absolute_error(truth: NDArray[np.float64], said: NDArray[np.float64]) -> tuple[float, float]:
    """Mean absolute error, and that of the best constant answer (the median of the truth)."""
    return float(np.abs(truth - said).mean()), float(np.abs(truth - np.median(truth)).mean())
