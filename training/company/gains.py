"""Reads the curves: how far apart the two orders are, and how many labels a goal takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

ORDERS = ("queue", "lot")
Row = Mapping[str, Any]


def between(rows: Sequence[Row], sizes: Sequence[int]) -> dict[str, Any]:
    """Area between the curves of the queue and of the lot, pair by pair of a seed.

    The area under macro-F1 over the number of labels (trapezia), divided by their range: a mean macro-F1.

    Args:
        rows: Of all runs; each has ``order``, ``seed``, ``labels`` and ``clear``.
        sizes: Numbers of labels, rising; two at least.

    Returns:
        The mean of the differences with its 95 % interval by Student's t over the seeds (NaN with one), and each
        seed's.
    """
    seeds = sorted({row["seed"] for row in rows})
    value = {(row["order"], row["seed"], row["labels"]): row["clear"]["macro_f1"]["value"] for row in rows}
    area = {
        (order, seed): np.trapezoid([value[order, seed, size] for size in sizes], sizes) / (sizes[-1] - sizes[0])
        for order in ORDERS
        for seed in seeds
    }
    return over_seeds([float(area["queue", seed] - area["lot", seed]) for seed in seeds])


def gain(rows: Sequence[Row], order: str, size: int) -> dict[str, Any]:
    """By how much macro-F1 rises from no labels to a number of them, over the seeds; as ``between`` tells it."""
    value = {(row["seed"], row["labels"]): row["clear"]["macro_f1"]["value"] for row in rows if row["order"] == order}
    return over_seeds([value[seed, size] - value[seed, 0] for seed in sorted({seed for seed, _ in value})])


def over_seeds(each: Sequence[float]) -> dict[str, Any]:
    """Mean of one number a seed with its 95 % interval by Student's t."""
    from scipy.stats import t

    values, reach = np.array(each), np.nan
    if len(values) > 1:
        reach = float(t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values)))
    mean = float(values.mean())
    return {"mean": mean, "low": mean - reach, "high": mean + reach, "each": [round(float(one), 4) for one in values]}


def labels_for(rows: Sequence[Row], order: str, seed: int, goal: float) -> float | None:
    """Labels at which a run first reaches a macro-F1, read off between two sizes; None where it never does."""
    own = sorted(
        (row["labels"], row["clear"]["macro_f1"]["value"])
        for row in rows
        if (row["order"], row["seed"]) == (order, seed)
    )
    before: tuple[int, float] | None = None
    for size, value in own:
        if value >= goal:
            if before is None:
                return float(size)
            share = (goal - before[1]) / (value - before[1])
            return float(before[0] + share * (size - before[0]))
        before = size, value
    return None
