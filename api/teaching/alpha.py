"""Krippendorff's alpha: agreement of any number of people, with labels missing, on any scale.

Klaus Krippendorff, "Computing Krippendorff's alpha-reliability", 2011: disagreement seen within examples over
disagreement expected when all labels are put together by chance. Reckoned here, since the package for it has a licence
that this program cannot take along; the tests hold it against that package.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearvision_api.teaching.resampling import ALONE, ROUNDS, Counts, Figure, Values, figure, unsaid

Scale = Literal["nominal", "ordinal", "interval"]


def alpha(
    labels: Sequence[Sequence[Hashable]], levels: Sequence[Hashable], scale: Scale, *, rounds: int = ROUNDS
) -> Figure:
    """Krippendorff's alpha over the examples with two labels or more.

    A level that nobody used changes nothing: the ordinal scale goes by how often levels occur.

    Args:
        labels: What was said of each example, by whomever; a missing label is left out.
        levels: Every level, in order; numbers for the scale ``interval``.
        scale: How a difference counts.
        rounds: Drawings of examples for the interval.

    Raises:
        ValueError: a level that is none, or no number where numbers are needed.
    """
    places = {level: place for place, level in enumerate(levels)}
    several = [said for said in labels if len(said) > 1]
    if not several:
        return unsaid(0, "there is no example with two labels")
    table = np.zeros((len(several), len(places)), np.int64)
    for row, said in enumerate(several):
        for level in said:
            if level not in places:
                raise ValueError(f"{level!r} is none of the levels")
            table[row, places[level]] += 1
    if len(table) == 1:
        return unsaid(1, ALONE)
    used = np.flatnonzero(table.sum(0))
    if used.size == 1:
        return unsaid(len(table), f"everybody said {list(places)[used[0]]} every time, and chance would give that")
    steps = squared(levels, scale)
    kinds, counts = np.unique(table, axis=0, return_counts=True)
    pairs = coincidences(kinds)
    value = alpha_of(counts[None], pairs, steps)[0]
    return figure(float(value), counts, lambda drawn: alpha_of(drawn, pairs, steps), rounds=rounds)


def squared(levels: Sequence[Hashable], scale: Scale) -> NDArray[np.float64] | None:
    """(levels, levels) squared differences; None for the ordinal scale, where they follow from the labels."""
    if scale == "ordinal":
        return None
    if scale == "nominal":
        return 1 - np.eye(len(levels))
    numbers = np.array([float(level) for level in levels if isinstance(level, int | float)])
    if len(numbers) != len(levels):
        raise ValueError("the scale 'interval' needs numbers")
    apart: NDArray[np.float64] = np.subtract.outer(numbers, numbers) ** 2
    return apart


def coincidences(kinds: Counts) -> NDArray[np.float64]:
    """(K, levels, levels) pairs of labels within an example of each kind; each example weighs as much as it has labels.

    Args:
        kinds: (K, levels) labels by level, at least two in each row.
    """
    pairs = kinds[:, :, None] * kinds[:, None, :] - kinds[:, :, None] * np.eye(kinds.shape[1], dtype=np.int64)
    weighed: NDArray[np.float64] = pairs / (kinds.sum(1) - 1)[:, None, None]
    return weighed


def alpha_of(drawn: Counts, pairs: NDArray[np.float64], steps: NDArray[np.float64] | None) -> Values:
    """Alpha of many drawings at once; NaN where all labels of one are alike.

    Args:
        drawn: (R, K) how many examples of each kind.
        pairs: (K, levels, levels), as ``coincidences`` gives them.
        steps: Squared differences, None for the ordinal scale.
    """
    size = pairs.shape[1]
    seen = (drawn @ pairs.reshape(len(pairs), -1)).reshape(-1, size, size)
    each = seen.sum(2)
    total = each.sum(1)
    if steps is None:
        middle = each.cumsum(1) - each / 2  # the labels up to a level, its own by half
        apart = (middle[:, :, None] - middle[:, None, :]) ** 2
    else:
        apart = np.broadcast_to(steps, seen.shape)
    observed = (seen * apart).sum((1, 2))
    expected = np.einsum("ri,rij,rj->r", each, apart, each) / (total - 1)
    return np.where(expected > 0, 1 - observed / np.where(expected > 0, expected, 1), np.nan)
