"""From what network and geometry say to a value with an interval that holds the truth as often as stated.

The figures come with the model (``model.json``, block ``calibration``), fitted by ``wearvision_training.calibrate``
on designs the network was not trained on. Score of a picture and measure: ``|truth - value| / scale``, the scale
being the network's own spread widened by how far network and geometry differ. A measure's quantile of that score
and one joint factor a part (so that all its modes hold together) give the interval ``value ± quantile·factor·scale``.
Source: split conformal regression with normalised residuals; rule and check values in the tests against the outside.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.errors import ModelError
from wearvision.measure.result import Measured, Outcome, Unmeasured
from wearvision.sighting import Estimate

DISAGREEMENT_SHARE = 0.5
"""Share of the difference between network and geometry that widens the scale."""
STRONG = 3.0
"""A difference of this many spreads is reported as a disagreement."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Calibration of one measure.

    Attributes:
        weight: Share of geometry in the value, 0 to 1.
        quantile: Of the scores at the stated rate; infinite with too few examples.
        residuals: Signed scores ``(truth - value) / scale`` at evenly spaced ranks, for probabilities.
    """

    weight: float
    quantile: float
    residuals: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Blend:
    """Network and geometry put together: value, scale of its error, and whether the two agree."""

    value: float
    scale: float
    agree: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """All figures of a model.

    Attributes:
        rate: Stated rate of the intervals, such as 0.95.
        entries: ``part.measure`` to its entry.
        joint: Part to the factor that makes all its modes hold together.
        least_energy: Below it the picture is unlike anything known.
        most_none: Above this probability of ``"none"`` the picture is refused.
        source: ``"rendered"`` or ``"site"``.
    """

    rate: float
    entries: Mapping[str, Entry]
    joint: Mapping[str, float]
    least_energy: float
    most_none: float
    source: str

    @classmethod
    def read(cls, block: Mapping[str, Any]) -> Calibration:
        """The block ``calibration`` of a ``model.json``.

        Raises:
            ModelError: the block is missing a figure.
        """
        try:
            return cls(
                rate=float(block["rate"]),
                entries={
                    key: Entry(float(row["weight"]), _number(row["quantile"]), np.asarray(row["residuals"], np.float64))
                    for key, row in block["measures"].items()
                },
                joint={part: _number(factor) for part, factor in block["joint"].items()},
                least_energy=float(block["refusal"]["least_energy"]),
                most_none=float(block["refusal"]["most_none"]),
                source=str(block["calibrated_on"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise ModelError(f"The calibration in model.json is incomplete ({error!r}); calibrate the model again.") from error

    def interval(self, key: str, blend: Blend, *, most: float = math.inf) -> Measured:
        """The value with its interval, cut to what is possible (0 to ``most``).

        A measure without calibration, or with too few examples, gets the widest answer.
        """
        entry, factor = self.entries.get(key), self.joint.get(key.split(".")[0], math.inf)
        reach = math.inf if entry is None else entry.quantile * factor * blend.scale
        top = min(most, blend.value + reach)
        if math.isinf(top):
            top = max(10.0, blend.value)  # the widest: far beyond every limit
        return Measured(min(blend.value, top), max(0.0, blend.value - reach), top)


def _number(value: Any) -> float:
    return math.inf if value is None else float(value)


def blend(direct: Estimate, geometry: Outcome | None, weight: float) -> Blend:
    """Joins the network's direct estimate with the measured geometry.

    Args:
        direct: From the network.
        geometry: From the regions, or None where this measure has no geometry.
        weight: Share of geometry, 0 to 1.
    """
    if geometry is None or isinstance(geometry, Unmeasured):
        return Blend(direct.value, direct.spread, True)
    apart = abs(geometry.value - direct.value)
    value = weight * geometry.value + (1 - weight) * direct.value
    return Blend(value, direct.spread + DISAGREEMENT_SHARE * apart, apart <= STRONG * direct.spread + 0.02)
