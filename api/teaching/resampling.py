"""A figure of agreement with its interval: examples drawn again with replacement, the same way for every figure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ROUNDS = 2000
SEED = 7
FEW = 50
"""Under so many examples a figure is called rough: intervals stated at 95 % held 89 % of the time with 20 examples,
91 % with 50, 94 % with 100 (``tests/api/teaching/test_kappa.py``, marked bench)."""
MOST_UNDEFINED = 0.05
"""Share of the drawings that may have no figure; with more of them an interval would speak of a chosen part only."""
ALONE = "one example alone says nothing of how people agree"
EXTRA = "the extra 'teaching' is not installed (pip install 'wearvision[teaching]')"

Counts = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figure:
    """How far labels agree, beyond chance.

    Attributes:
        value: 1: always; 0: as chance would have it; below: less than that. None: it cannot be computed.
        low: Lower end of the 95 % interval, None where there is none.
        high: Upper end.
        of: Number of examples.
        reason: Why it cannot be computed, as the end of a sentence after *because*.
        note: What a reader must know of it, in sentences.
    """

    value: float | None
    low: float | None
    high: float | None
    of: int
    reason: str = ""
    note: str = ""


def unsaid(of: int, reason: str) -> Figure:
    """A figure that the labels do not carry, and why."""
    return Figure(None, None, None, of, reason)


def figure(
    value: float,
    counts: Counts,
    of_drawn: Callable[[Counts], Values],
    *,
    rounds: int = ROUNDS,
    seed: int = SEED,
    note: str = "",
) -> Figure:
    """A value with its 95 % percentile bootstrap interval over examples.

    Examples that got the same labels are one kind, and drawing n examples with replacement is drawing the kinds'
    numbers from a multinomial distribution; so it takes no longer for thousands of examples than for ten.

    Args:
        value: Of the examples as they are.
        counts: (K,) examples of each kind.
        of_drawn: (rounds, K) drawn counts to (rounds,) values, NaN where a drawing has none.
        rounds: Drawings.
        seed: Of the drawing, so that the same labels give the same interval.
        note: Further words for the reader.
    """
    of = int(counts.sum())
    drawn = of_drawn(np.random.default_rng(seed).multinomial(of, counts / of, size=rounds))
    known = drawn[~np.isnan(drawn)]
    low: float | None = None
    high: float | None = None
    notes = [note] if note else []
    if known.size < (1 - MOST_UNDEFINED) * rounds:
        share = 1 - known.size / rounds
        notes.append(f"No interval: {share:.0%} of {rounds} drawings of these examples have no figure of their own.")
    elif np.ptp(known) < 1e-12:
        notes.append("No interval: however these examples are drawn, the figure is the same. More may still differ.")
    else:
        low, high = (float(end) for end in np.quantile(known, (0.025, 0.975)))
    if of < FEW:
        notes.append(f"Only {of} example{'' if of == 1 else 's'}: a rough figure.")
    return Figure(float(value), low, high, of, "", " ".join(notes))
