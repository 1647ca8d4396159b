"""Settles each measure of an examined photo: calibrated value and interval, or why there is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from wearvision.calibration import Blend, Calibration, blend
from wearvision.examine import Examination
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.sighting import Estimate
from wearvision.standard.limits import Row

WHOLE = 1.0
"""Upper bound of ratios that are shares of a whole; lengths over a diameter may exceed it."""
SHARES = frozenset({"film_loss", "haze", "scorch_ratio", "residue_ratio", "chip_ratio", "grime_ratio", "bridge"})


@dataclass(frozen=True, slots=True)
class Settled:
    """A measure as it enters the judgement; ``agree`` is False where network and geometry differ strongly."""

    outcome: Outcome
    agree: bool = True
    blend: Blend | None = None


@dataclass(frozen=True, slots=True)
class Basis:
    """A measure before any limit is asked: with it a photo is graded again under other limits.

    Attributes:
        measured: Calibrated value and interval; None where the view shows none.
        unmeasured: Why geometry gave no value; it stands unless the limits call ``measured`` worn.
        agree: False where network and geometry differ strongly.
        blend: What ``measured`` was made of, for probabilities.
    """

    measured: Measured | None
    unmeasured: Unmeasured | None = None
    agree: bool = True
    blend: Blend | None = None

    def under(self, row: Row) -> Settled:
        """The measure under the limits of its row.

        Geometry that cannot be measured leaves the mode *not seen*, unless the network's estimate says that it is
        worn: what cannot be resolved is never called serviceable, but wear that shows in spite of that is graded.
        """
        if self.unmeasured is not None and (
            self.measured is None or row.grade_of(self.measured.value) == "serviceable"
        ):
            return Settled(self.unmeasured)
        if self.measured is None:
            raise ValueError("a basis needs a value or the reason why there is none")
        return Settled(self.measured, self.agree, self.blend)


def settle(found: Examination, calibration: Calibration) -> dict[str, Basis]:
    """Every measure that the view can show, calibrated; ``Basis.under`` holds it against limits.

    Args:
        found: The examination of one photo.
        calibration: The model's.
    """
    if found.spec is None:
        return {}
    return {
        name: _settle_one(f"{found.spec.key}.{name}", name, direct, found.geometry, calibration)
        for name, direct in found.direct.items()
    }


def _settle_one(
    key: str, name: str, direct: Estimate, geometry: Mapping[str, Outcome], calibration: Calibration
) -> Basis:
    entry = calibration.entries.get(key)
    measured = geometry.get(name)
    if entry is not None and not entry.knows_geometry:
        if isinstance(measured, Measured):
            return _by_reference(measured, entry.blend(direct, None))
        measured = None  # a reference that gave nothing leaves the network's own word
    joined = blend(direct, measured) if entry is None else entry.blend(direct, measured)
    interval = calibration.interval(key, joined, most=WHOLE if name in SHARES else float("inf"))
    if isinstance(measured, Unmeasured):
        if measured.reason is Reason.NOT_IN_VIEW:
            return Basis(None, measured)
        note = f"{measured.note} The network sees wear in spite of that.".strip()
        return Basis(Measured(interval.value, interval.low, interval.high, note=note), measured, blend=joined)
    note = "" if joined.agree else "Network and geometry differ strongly; the interval was widened for it."
    return Basis(Measured(interval.value, interval.low, interval.high, note=note), agree=joined.agree, blend=joined)


def _by_reference(measured: Measured, joined: Blend) -> Basis:
    """A value that only a reference photo gives: it outranks the network, with its own interval.

    That interval comes from the layer equation's assumptions and is not calibrated, so it is widened to take in the
    network's estimate where the two differ.
    """
    low, high = min(measured.low, joined.value), max(measured.high, joined.value)
    agree = measured.low - joined.scale <= joined.value <= measured.high + joined.scale
    note = "Measured against the photo of the part when new."
    if not agree:
        note += " The network differs strongly; the interval takes in both."
    return Basis(Measured(measured.value, low, high, measured.unit, measured.trace, note), agree=agree)
