"""What is known of how long a part lived: exactly, at least so long, or between two times."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Life:
    """The life of one part, or of several of which the same is known. The unit is the caller's, hours or days.

    Attributes:
        low: It was still good then, ≥ 0.
        high: It had failed by then. Equal to ``low``: it failed just then. None: it still ran at ``low``
            (right-censored). Above ``low``: found failed at an inspection after one that found it good
            (interval-censored); with ``low`` 0 the only thing known is that it failed by ``high`` (left-censored).
        count: How many parts, ≥ 1.

    Raises:
        ValueError: times are not finite or run backwards, a failure lies at 0, or no part is meant.
    """

    low: float
    high: float | None
    count: int = 1

    def __post_init__(self) -> None:
        ends = (self.low,) if self.high is None else (self.low, self.high)
        if not all(math.isfinite(end) for end in ends) or self.low < 0:
            raise ValueError(f"a life runs over finite times from 0 up, not {self.low} to {self.high}")
        if self.high is not None and (self.high < self.low or self.high == 0):
            raise ValueError(f"a failure lies after 0 and not before {self.low}, not at {self.high}")
        if self.count < 1:
            raise ValueError(f"a life is that of one part or more, not {self.count}")

    @property
    def failed(self) -> bool:
        """Whether the part is known to have failed."""
        return self.high is not None

    @property
    def exact(self) -> bool:
        """Whether it failed at a known time."""
        return self.high == self.low


@dataclass(frozen=True, slots=True)
class Unsaid:
    """A figure that the data do not carry.

    Attributes:
        reason: Why, as a sentence for a person.
    """

    reason: str


def merged(lives: Iterable[Life]) -> list[Life]:
    """Those of which the same is known put together, by time; a part not yet begun tells nothing and is left out."""
    counts: dict[tuple[float, float | None], int] = {}
    for life in lives:
        if life.failed or life.low > 0:
            key = (life.low, life.high)
            counts[key] = counts.get(key, 0) + life.count
    order = sorted(counts, key=lambda ends: (ends[0], math.inf if ends[1] is None else ends[1]))
    return [Life(low, high, counts[low, high]) for low, high in order]
