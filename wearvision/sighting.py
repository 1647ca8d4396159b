"""What the network saw in one square picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Estimate:
    """The network's direct estimate of one measure.

    Attributes:
        value: Median of the estimate, in the measure's unit, >= 0.
        spread: Laplace scale of its uncertainty, same unit, > 0. Raw: calibration comes later.
        presence: How likely the wear is there at all, 0 to 1.
        levels: Values for which the network says how likely they are reached, rising; none of an early model.
        reached: How likely each of ``levels`` is reached, falling.
    """

    value: float
    spread: float
    presence: float
    levels: tuple[float, ...] = ()
    reached: tuple[float, ...] = ()

    def reaches(self, at: float) -> float:
        """How likely the measure is ``at`` or more, read off between two levels.

        Raises:
            ValueError: the model gave no levels.
        """
        if not self.levels:
            raise ValueError("the model does not say how likely values are reached")
        if at <= 0:
            return 1.0
        # Nothing is known beyond the last level but that it ends: by twice the level.
        levels, reached = (0.0, *self.levels, 2 * self.levels[-1]), (1.0, *self.reached, 0.0)
        return float(np.interp(at, levels, reached))


@dataclass(frozen=True, slots=True)
class Sighting:
    """Part, view, regions and direct estimates in one picture.

    Attributes:
        parts: Probability of each registered part and of ``"none"``; sums to 1.
        energy: Log-sum-exp of the part outputs; low for what the network does not know.
        views: Probability of each view; sums to 1.
        grades: The network's own opinion of the grade; a cross-check, not the answer.
        estimates: ``part.measure`` to its direct estimate.
        regions: Region name to probability map, (S, S) float32, of the picture the network was given.
    """

    parts: Mapping[str, float]
    energy: float
    views: Mapping[str, float]
    grades: Mapping[str, float]
    estimates: Mapping[str, Estimate]
    regions: Mapping[str, NDArray[np.float32]]

    @property
    def part(self) -> str:
        """The likeliest part, or ``"none"``."""
        return max(self.parts, key=lambda name: self.parts[name])
