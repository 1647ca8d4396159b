"""What a measure returns: a value with its interval, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class Reason(StrEnum):
    """Why a photo cannot carry a measure (the wear standard's own list)."""

    NOT_IN_VIEW = "not_in_view"
    NOT_RESOLVABLE = "not_resolvable"
    NO_NOMINAL = "no_nominal"
    CLEAN_FIRST = "clean_first"
    GLARE = "glare"


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured quantity.

    Attributes:
        value: Best estimate, in ``unit``.
        low: Lower end of the measure's own interval, ``low <= value``.
        high: Upper end, ``value <= high``.
        unit: ``"1"`` for a ratio, else an SI symbol such as ``"mm"``.
        trace: What was measured, as a polyline (N, 2) of row, column in pixels; None if a region says it.
        note: One sentence for a person, where something needs saying.
    """

    value: float
    low: float
    high: float
    unit: str = "1"
    trace: NDArray[np.float64] | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if not (self.low <= self.value <= self.high):
            raise ValueError(f"interval [{self.low}, {self.high}] does not hold the value {self.value}")


@dataclass(frozen=True, slots=True)
class Unmeasured:
    """No value: the reason, and one sentence for a person."""

    reason: Reason
    note: str = ""


Outcome = Measured | Unmeasured
