"""Figures with their uncertainty: shares, macro-F1, means, differences. Plain numbers in, JSON values out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binomtest

from wearvision.standard.grades import GRADES
from wearvision_training.scores import macro_f1, wilson

ROUNDS = 2000
SEED = 7
SILENT = "not judged"
"""The answer of a picture that was turned away: never right, and no grade of its own."""
SAID = (*GRADES, SILENT)

Figure = dict[str, Any]


def share(hits: int, trials: int) -> Figure:
    """A proportion with its counts and 95 % Wilson interval; ``value`` is None for no trials."""
    low, high = wilson(hits, trials)
    return {"value": hits / trials if trials else None, "low": low, "high": high, "hits": hits, "of": trials}


def share_of(flags: Sequence[bool]) -> Figure:
    """The share of those that are true."""
    return share(sum(flags), len(flags))


def rare(hits: int, trials: int) -> Figure:
    """A proportion that should be near nothing: as ``share``, with the one-sided 95 % Clopper-Pearson upper bound.

    Source: Clopper and Pearson (1934), by ``scipy``.
    """
    upper = 1.0
    if trials:
        upper = float(binomtest(hits, trials, alternative="less").proportion_ci(0.95, method="exact").high)
    return {**share(hits, trials), "upper": upper}


def mcnemar(only_first: int, only_second: int) -> float:
    """Exact two-sided p of McNemar's test from the two discordant counts; 1 for none.

    Source: McNemar (1947) in its exact binomial form, by ``scipy``.
    """
    discordant = only_first + only_second
    return float(binomtest(only_first, discordant, 0.5).pvalue) if discordant else 1.0


def mean(values: ArrayLike) -> Figure:
    """A mean with its 95 % percentile bootstrap interval; None for no values."""
    data = np.asarray(values, np.float64)
    if data.size == 0:
        return {"value": None, "low": None, "high": None, "of": 0}
    rng = np.random.default_rng(SEED)
    # Row by row: a set of thousands times all rounds at once would take more memory than it is worth.
    drawn = [data[rng.integers(0, data.size, data.size)].mean() for _ in range(ROUNDS)]
    low, high = np.quantile(drawn, (0.025, 0.975))
    return {"value": float(data.mean()), "low": float(low), "high": float(high), "of": int(data.size)}


def f1(truth: Sequence[str], said: Sequence[str]) -> Figure:
    """Macro-F1 of the grades with its 95 % bootstrap interval over pictures."""
    if not truth:
        return {"value": None, "low": None, "high": None, "of": 0}
    low, high = np.quantile(f1_of_counts(_drawn(_counts(truth, said))), (0.025, 0.975))
    value = macro_f1(list(truth), list(said))
    return {"value": value, "low": float(low), "high": float(high), "of": len(truth)}


def f1_difference(truths: Sequence[Sequence[str]], saids: Sequence[Sequence[str]]) -> Figure:
    """Macro-F1 of the second of two answers to the same pictures less that of the first, by paired bootstrap.

    Args:
        truths: The true grades, for each of the two (they may differ within guard bands).
        saids: The two answers.
    """
    if not truths[0]:
        return {"value": None, "low": None, "high": None, "of": 0}
    drawn = _drawn(_counts(truths[0], saids[0], truths[1], saids[1]))
    # Axes of a sample: truth and answer of the first, then of the second; each is left by adding up the other.
    change = f1_of_counts(drawn.sum((1, 2))) - f1_of_counts(drawn.sum((3, 4)))
    low, high = np.quantile(change, (0.025, 0.975))
    first, second = (macro_f1(list(truth), list(said)) for truth, said in zip(truths, saids, strict=True))
    return {"value": second - first, "low": float(low), "high": float(high), "of": len(truths[0])}


def f1_of_counts(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Macro-F1 of confusion matrices, (…, 4, 4) in the order of ``SAID``; grades neither true nor said are left out."""
    hits = np.diagonal(counts, axis1=-2, axis2=-1)[..., : len(GRADES)]
    there = (counts.sum(-1) + counts.sum(-2))[..., : len(GRADES)]
    each = np.divide(2 * hits, there, out=np.zeros(hits.shape), where=there > 0)
    return np.asarray(each.sum(-1) / np.maximum((there > 0).sum(-1), 1))


def _counts(*columns: Sequence[str]) -> NDArray[np.int64]:
    """How often each combination of answers occurs, an axis of four a column."""
    table = np.zeros((len(SAID),) * len(columns), np.int64)
    np.add.at(table, tuple(np.array([SAID.index(name) for name in column]) for column in columns), 1)
    return table


def _drawn(table: NDArray[np.int64]) -> NDArray[np.int64]:
    """Bootstrap samples of a table, (ROUNDS, …): drawing pictures anew is drawing its cells by their shares."""
    drawn = np.random.default_rng(SEED).multinomial(table.sum(), table.ravel() / table.sum(), ROUNDS)
    return drawn.reshape(ROUNDS, *table.shape)
