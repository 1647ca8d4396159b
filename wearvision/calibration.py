"""From what network and geometry say to a value with an interval that holds the truth as often as stated.

The figures come with the model (``model.json``, block ``calibration``), fitted by ``wearvision_training.calibrate``
on designs the network was not trained on. Residual of a picture and measure: ``(truth - value) / scale``, the scale
being the network's own spread widened by how far network and geometry differ. A measure's reach below and above
(quantiles of that residual) and one joint factor a part, the conformal step that makes all its modes hold together,
give the interval ``value - below·factor·scale`` to ``value + above·factor·scale``.
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

WIDEST = 10.0
"""Upper end of an interval about which nothing is known: far beyond every limit of the standard."""


@dataclass(frozen=True, slots=True)
class Entry:
    """Calibration of one measure.

    Attributes:
        weight: Share of geometry in the value, 0 to 1.
        doubt: Share of the difference between network and geometry that widens the scale.
        floor: What the scale has at least, since a network can be sure and wrong.
        usual_gap: The difference between the two that is exceeded once in fifty pictures.
        below: Reach of the interval under the value, in scales.
        above: Reach over the value, in scales.
        residuals: Residuals at evenly spaced ranks, for probabilities.
        slope: What the network's odds of reaching a value are raised to, since networks are too sure.
        offset: What is added to their logarithm.
    """

    weight: float
    doubt: float
    floor: float
    usual_gap: float
    below: float
    above: float
    residuals: NDArray[np.float64]
    slope: float = 1.0
    offset: float = 0.0

    @property
    def knows_geometry(self) -> bool:
        """False where no calibration picture had geometry for this measure, as for film without a reference."""
        return self.usual_gap > 0

    def blend(self, direct: Estimate, geometry: Outcome | None) -> Blend:
        """Network and geometry put together as this measure's figures say."""
        return blend(
            direct, geometry, weight=self.weight, doubt=self.doubt, floor=self.floor, usual_gap=self.usual_gap
        )

    def chance(self, joined: Blend, at: float) -> float:
        """How likely the measure is ``at`` or more.

        Where the network tells how likely it is for this very picture, that counts by the network's share in the
        value; the rest, and all for a model that does not tell, comes from the residuals of all pictures.
        """
        draws = np.maximum(joined.value + joined.scale * self.residuals, 0.0)
        usual = float(np.mean(draws >= at)) if len(draws) else 0.5
        if joined.direct is None or not joined.direct.levels:
            return usual
        likely = min(max(joined.direct.reaches(at), 1e-6), 1 - 1e-6)
        odds = self.slope * math.log(likely / (1 - likely)) + self.offset
        return joined.share * usual + (1 - joined.share) / (1 + math.exp(-odds))


@dataclass(frozen=True, slots=True)
class Blend:
    """Network and geometry put together: value, scale of its error, and whether the two agree.

    ``share`` is that of geometry in the value; ``direct`` what the network said.
    """

    value: float
    scale: float
    agree: bool
    share: float = 0.0
    direct: Estimate | None = None


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
                    key: Entry(
                        float(row["weight"]),
                        float(row["doubt"]),
                        float(row["floor"]),
                        _number(row["usual_gap"]),
                        float(row["below"]),
                        float(row["above"]),
                        np.asarray(row["residuals"], np.float64),
                        float(row.get("slope", 1.0)),
                        float(row.get("offset", 0.0)),
                    )
                    for key, row in block["measures"].items()
                },
                joint={part: _number(factor) for part, factor in block["joint"].items()},
                least_energy=float(block["refusal"]["least_energy"]),
                most_none=float(block["refusal"]["most_none"]),
                source=str(block["calibrated_on"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            reason = f"The calibration in model.json is incomplete ({error!r}); calibrate the model again."
            raise ModelError(reason) from error

    def interval(self, key: str, blend: Blend, *, most: float = math.inf) -> Measured:
        """The value with its interval, cut to what is possible (0 to ``most``).

        A measure without calibration, or with too few examples, gets the widest answer.
        """
        entry, factor = self.entries.get(key), self.joint.get(key.split(".")[0], math.inf)
        if entry is None or math.isinf(factor):
            return Measured(blend.value, 0.0, max(min(most, WIDEST), blend.value))
        step = factor * blend.scale
        value = min(blend.value, most)
        return Measured(value, max(0.0, value - entry.below * step), min(most, value + entry.above * step))


def _number(value: Any) -> float:
    return math.inf if value is None else float(value)


def blend(
    direct: Estimate,
    geometry: Outcome | None,
    *,
    weight: float = 0.0,
    doubt: float = 0.0,
    floor: float = 0.0,
    usual_gap: float = math.inf,
) -> Blend:
    """Joins the network's direct estimate with the measured geometry.

    A difference beyond the usual widens the scale by what it is beyond it, and is reported.

    Args:
        direct: From the network.
        geometry: From the regions, or None where this measure has no geometry.
        weight: Share of geometry, 0 to 1.
        doubt: Share of any difference that widens the scale.
        floor: Added to the scale.
        usual_gap: Difference from which the two disagree strongly.
    """
    scale = direct.spread + floor
    if geometry is None or isinstance(geometry, Unmeasured):
        return Blend(direct.value, scale, True, 0.0, direct)
    apart = abs(geometry.value - direct.value)
    value = weight * geometry.value + (1 - weight) * direct.value
    return Blend(value, scale + doubt * apart + max(0.0, apart - usual_gap), apart <= usual_gap, weight, direct)
