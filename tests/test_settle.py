"""From an examination to settled measures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearvision.calibration import Calibration, Entry
from wearvision.examine import Examination
from wearvision.look import Look
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.network import Window
from wearvision.parts import PARTS
from wearvision.settle import SHARES, Settled, settle
from wearvision.sighting import Estimate, Sighting
from wearvision.standard import load_limits

LIMITS = load_limits()
ENTRY = Entry(0.5, 0.0, 0.0, 0.05, 2.0, 3.0, np.linspace(-2, 2, 9))
KEYS = [f"flame_cell.{mode.measure}" for mode in PARTS["flame_cell"].modes]
CALIBRATION = Calibration(0.95, dict.fromkeys(KEYS, ENTRY), {"flame_cell": 1.0}, 0.0, 0.5, "rendered")
SQUARE = np.zeros((32, 32, 3), np.uint8)
LOOK = Look(SQUARE, Window(0, 0, 32), Sighting({}, 0.0, {}, {}, {}, {}), (slice(0, 32), slice(0, 32)))


def found(direct: float, geometry: Outcome | None, *, measure: str = "haze") -> Examination:
    seen = {} if geometry is None else {measure: geometry}
    return Examination(LOOK, PARTS["flame_cell"], "face", {}, {measure: Estimate(direct, 0.01, 0.5)}, seen)


def held(found: Examination, calibration: Calibration = CALIBRATION, measure: str = "haze") -> Settled:
    """The measure, calibrated and held against the standard's limits."""
    return settle(found, calibration)[measure].under(LIMITS.row("flame_cell", measure))


def test_nothing_is_settled_where_no_part_was_found() -> None:
    assert settle(Examination(LOOK, None, "", {}, {}, {}), CALIBRATION) == {}


def test_value_is_the_blend_and_interval_the_calibrations() -> None:
    item = held(found(0.10, Measured(0.12, 0.11, 0.13)))
    assert item.agree
    assert isinstance(item.outcome, Measured)
    assert (item.outcome.low, item.outcome.value, item.outcome.high) == pytest.approx((0.09, 0.11, 0.14))


def test_strong_difference_widens_and_says_so() -> None:
    item = held(found(0.05, Measured(0.25, 0.25, 0.25)))
    assert not item.agree
    assert isinstance(item.outcome, Measured)
    assert "differ strongly" in item.outcome.note
    assert item.outcome.high - item.outcome.value == pytest.approx(3 * (0.01 + 0.15))


@pytest.mark.parametrize("reason", list(Reason))
def test_unmeasured_and_unworn_stays_unmeasured(reason: Reason) -> None:
    blind = Unmeasured(reason, "why")
    item = held(found(0.0, blind))
    assert item.outcome == blind


@pytest.mark.parametrize("reason", [reason for reason in Reason if reason is not Reason.NOT_IN_VIEW])
def test_wear_that_the_network_sees_is_graded_though_geometry_cannot_measure(reason: Reason) -> None:
    item = held(found(0.9, Unmeasured(reason)))
    assert isinstance(item.outcome, Measured)
    assert item.outcome.value == pytest.approx(0.9)
    assert "in spite of that" in item.outcome.note


def test_what_is_not_in_view_is_never_graded() -> None:
    assert held(found(0.9, Unmeasured(Reason.NOT_IN_VIEW))).outcome == Unmeasured(Reason.NOT_IN_VIEW)


def test_measure_without_geometry_is_the_networks() -> None:
    item = held(found(0.3, None))
    assert isinstance(item.outcome, Measured)
    assert item.outcome.value == pytest.approx(0.3)


def test_uncalibrated_measure_is_left_wide_open() -> None:
    item = held(found(0.3, None), replace(CALIBRATION, entries={}))
    assert isinstance(item.outcome, Measured)
    assert (item.outcome.low, item.outcome.high) == (0.0, 1.0)


@pytest.mark.parametrize("measure", [mode.measure for mode in PARTS["flame_cell"].modes])
def test_shares_of_a_whole_end_at_one(measure: str) -> None:
    item = held(found(0.999, None, measure=measure), measure=measure)
    assert isinstance(item.outcome, Measured)
    assert item.outcome.high == (1.0 if measure in SHARES else pytest.approx(1.029))


def test_shares_are_measures_of_registered_parts() -> None:
    assert {mode.measure for spec in PARTS.values() for mode in spec.modes} >= SHARES


def test_reference_value_outranks_the_network_where_calibration_knew_no_geometry() -> None:
    """Film against a photo of the part when new: its value counts, the interval takes in the network's."""
    from wearvision.calibration import Entry, blend
    from wearvision.measure.result import Measured
    from wearvision.settle import _by_reference
    from wearvision.sighting import Estimate

    entry = Entry(0.0, 0.0, 0.02, 0.0, 1.0, 1.0, np.zeros(3))
    assert not entry.knows_geometry
    joined = blend(Estimate(0.02, 0.01, 0.1), None, floor=0.02)
    settled = _by_reference(Measured(0.30, 0.25, 0.36), joined)
    assert isinstance(settled.measured, Measured)
    assert settled.measured.value == 0.30
    assert settled.measured.low == 0.02
    assert not settled.agree
