"""Cohen's kappa of two people, plain and weighted by how far apart the grades lie, and Fleiss' kappa of several.

Values come from scikit-learn and statsmodels; drawings for the interval are reckoned here, all at once.
Jacob Cohen, "A coefficient of agreement for nominal scales", 1960, and "Weighted kappa", 1968; Joseph L. Fleiss,
"Measuring nominal scale agreement among many raters", 1971.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearvision_api.teaching.resampling import ALONE, EXTRA, ROUNDS, Counts, Figure, Values, figure, unsaid

Weights = Literal["linear", "quadratic"]


def cohen(
    one: Sequence[Hashable],
    other: Sequence[Hashable],
    levels: Sequence[Hashable],
    weights: Weights | None = None,
    *,
    rounds: int = ROUNDS,
) -> Figure:
    """Cohen's kappa of two people over the examples that both labelled.

    All ``levels`` count, also one that nobody used: how far two grades lie apart is a matter of the scale, not of the
    sample. (Where an unused level is left out, as some programs do, weighted kappa differs; plain kappa does not.)

    Args:
        one: What the first said, an example each.
        other: What the second said of the same.
        levels: Every level, in order, for the weights.
        weights: How a difference counts: by its steps, their square, or None: all alike.
        rounds: Drawings for the interval.

    Raises:
        ValueError: unequal lengths, or a level that is none.
    """
    places = {level: place for place, level in enumerate(levels)}
    if len(one) != len(other) or not {*one, *other} <= places.keys():
        raise ValueError("two people's labels of the same examples, all of them among the levels")
    if not one:
        return unsaid(0, "there is no example of which both said something")
    if len(one) == 1:
        return unsaid(1, ALONE)
    if len({*one, *other}) == 1:
        return unsaid(len(one), f"both said {one[0]} every time, and chance alone would give that")
    try:
        from sklearn.metrics import cohen_kappa_score
    except ModuleNotFoundError:
        return unsaid(len(one), EXTRA)
    first, second = ([places[said] for said in all_said] for all_said in (one, other))
    size = len(places)
    value = float(cohen_kappa_score(first, second, labels=list(range(size)), weights=weights))
    table = np.zeros((size, size), np.int64)
    np.add.at(table, (first, second), 1)
    apart = distances(size, weights)
    note = ""
    if min(len(set(one)), len(set(other))) == 1:
        note = "One of them gave one answer only: kappa is 0 then, however often they agree."
    return figure(value, table.ravel(), lambda drawn: cohen_of(drawn, apart), rounds=rounds, note=note)


def distances(size: int, weights: Weights | None) -> NDArray[np.float64]:
    """(size, size) what it counts that one person says this level and the other that."""
    steps = np.abs(np.subtract.outer(np.arange(size), np.arange(size))).astype(float)
    return steps if weights == "linear" else steps**2 if weights == "quadratic" else (steps > 0).astype(float)


def cohen_of(tables: Counts, apart: NDArray[np.float64]) -> Values:
    """Kappa of many tables at once: 1 - observed / expected disagreement, NaN where none is expected.

    Args:
        tables: (R, size * size) counts.
        apart: (size, size) distances.
    """
    many = tables.reshape(-1, *apart.shape).astype(float)
    total = many.sum((1, 2))
    observed = (many * apart).sum((1, 2)) / total
    expected = np.einsum("ri,ij,rj->r", many.sum(2), apart, many.sum(1)) / total**2
    return np.where(expected > 0, 1 - observed / np.where(expected > 0, expected, 1), np.nan)


def fleiss(labels: Sequence[Sequence[Hashable]], levels: Sequence[Hashable], *, rounds: int = ROUNDS) -> Figure:
    """Fleiss' kappa over examples that got equally many labels, whoever gave them.

    Where the numbers of labels differ, the most frequent number from 2 up is taken (of several, the largest), and the
    note says how many examples are left out.

    Args:
        labels: What was said of each example.
        levels: Every level.
        rounds: Drawings for the interval.

    Raises:
        ValueError: a level that is none.
    """
    places = {level: place for place, level in enumerate(levels)}
    sizes = Counter(len(said) for said in labels if len(said) > 1)
    if not sizes:
        return unsaid(0, "there is no example with two labels")
    most = max(sizes, key=lambda size: (sizes[size], size))
    table = np.zeros((sizes[most], len(places)), np.int64)
    for row, said in enumerate(said for said in labels if len(said) == most):
        for level in said:
            if level not in places:
                raise ValueError(f"{level!r} is none of the levels")
            table[row, places[level]] += 1
    used = np.flatnonzero(table.sum(0))
    if len(table) == 1:
        return unsaid(1, ALONE)
    if used.size == 1:
        return unsaid(len(table), f"everybody said {list(places)[used[0]]} every time, and chance would give that")
    try:
        from statsmodels.stats.inter_rater import fleiss_kappa
    except ModuleNotFoundError:
        return unsaid(len(table), EXTRA)
    kinds, counts = np.unique(table, axis=0, return_counts=True)
    left = len(labels) - len(table)
    note = f"{most} labels an example; {left} with another number of labels left out." if left else ""
    return figure(
        float(fleiss_kappa(table)), counts, lambda drawn: fleiss_of(drawn, kinds, most), rounds=rounds, note=note
    )


def fleiss_of(drawn: Counts, kinds: Counts, labels: int) -> Values:
    """Fleiss' kappa of many drawings at once; NaN where all labels of one are alike.

    Args:
        drawn: (R, K) how many examples of each kind.
        kinds: (K, levels) labels of a kind by level.
        labels: Of each example, ≥ 2.
    """
    total = drawn.sum(1)
    alike = ((kinds**2).sum(1) - labels) / (labels * (labels - 1))
    seen = drawn @ alike / total
    chance = ((drawn @ kinds / (total * labels)[:, None]) ** 2).sum(1)
    return np.where(chance < 1 - 1e-12, (seen - chance) / np.where(chance < 1 - 1e-12, 1 - chance, 1), np.nan)
