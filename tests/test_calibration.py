"""Calibration: reading its block, blending two voices, and the interval."""

from __future__ import annotations

import copy
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.calibration import Blend, Calibration, Entry, blend
from wearvision.errors import ModelError
from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.sighting import Estimate

ROW: dict[str, Any] = {
    "weight": 0.5,
    "doubt": 0.25,
    "floor": 0.0,
    "usual_gap": 0.1,
    "below": 1.0,
    "above": 2.0,
    "residuals": [-1.0, 0.0, 1.0],
}
BLOCK: dict[str, Any] = {
    "rate": 0.95,
    "calibrated_on": "site",
    "measures": {"flame_cell.haze": ROW, "flame_cell.film_loss": {**ROW, "residuals": []}, "coupler.bow_ratio": ROW},
    "joint": {"flame_cell": 1.5, "coupler": None},
    "refusal": {"least_energy": 3.0, "most_none": 0.6},
}
READ = Calibration.read(BLOCK)
positive = st.floats(0, 5)


def test_block_is_read_figure_by_figure() -> None:
    entry = READ.entries["flame_cell.haze"]
    assert (entry.weight, entry.doubt, entry.usual_gap, entry.below, entry.above) == (0.5, 0.25, 0.1, 1.0, 2.0)
    assert entry.residuals.tolist() == [-1.0, 0.0, 1.0]
    assert (READ.rate, READ.least_energy, READ.most_none, READ.source) == (0.95, 3.0, 0.6, "site")
    assert READ.joint == {"flame_cell": 1.5, "coupler": math.inf}


@pytest.mark.parametrize("key", list(BLOCK))
def test_block_without_a_figure_is_a_model_error(key: str) -> None:
    with pytest.raises(ModelError, match="calibrate the model again"):
        Calibration.read({name: value for name, value in BLOCK.items() if name != key})


@pytest.mark.parametrize("key", list(ROW))
def test_measure_without_a_figure_is_a_model_error(key: str) -> None:
    block = copy.deepcopy(BLOCK)
    del block["measures"]["flame_cell.haze"][key]
    with pytest.raises(ModelError, match=key):
        Calibration.read(block)


@pytest.mark.parametrize("block", [{}, {**BLOCK, "rate": "often"}, {**BLOCK, "refusal": None}])
def test_nonsense_block_is_a_model_error(block: dict[str, Any]) -> None:
    with pytest.raises(ModelError):
        Calibration.read(block)


def test_interval_is_reach_times_joint_factor_times_scale() -> None:
    found = READ.interval("flame_cell.haze", Blend(0.5, 0.1, True))
    assert (found.low, found.value, found.high) == pytest.approx((0.35, 0.5, 0.8))


def test_interval_is_cut_to_what_is_possible() -> None:
    found = READ.interval("flame_cell.haze", Blend(0.9, 1.0, True), most=1.0)
    assert (found.low, found.value, found.high) == (0.0, 0.9, 1.0)


@pytest.mark.parametrize("key", ["coupler.bow_ratio", "electrode.bridge", "flame_cell.rim_deviation"])
def test_measure_without_enough_examples_gets_the_widest_answer(key: str) -> None:
    uncut, cut = (READ.interval(key, Blend(0.3, 0.01, True), most=most) for most in (math.inf, 1.0))
    assert (uncut.low, uncut.value, uncut.high) == (0.0, 0.3, 10.0)
    assert (cut.low, cut.value, cut.high) == (0.0, 0.3, 1.0)


@given(value=positive, scale=st.floats(1e-6, 5), most=st.one_of(st.just(math.inf), st.just(1.0)))
def test_interval_always_holds_its_value(value: float, scale: float, most: float) -> None:
    for key in ("flame_cell.haze", "coupler.bow_ratio", "electrode.bridge"):
        found = READ.interval(key, Blend(value, scale, True), most=most)
        assert 0 <= found.low <= found.value <= found.high < math.inf
    assert READ.interval("flame_cell.haze", Blend(value, scale, True), most=most).high <= most


@pytest.mark.parametrize("geometry", [None, Unmeasured(Reason.NOT_RESOLVABLE)])
def test_without_geometry_the_network_speaks_alone(geometry: Unmeasured | None) -> None:
    direct = Estimate(0.2, 0.03, 0.9)
    found = blend(direct, geometry, weight=1.0, doubt=1.0, usual_gap=0.0)
    assert found == Blend(0.2, 0.03, True, share=0.0, direct=direct)


LEVELLED = Estimate(0.2, 0.03, 0.9, levels=(0.1, 0.3), reached=(0.8, 0.2))


@given(at=st.floats(0, 2), less=st.floats(0, 2))
def test_chance_falls_and_is_the_networks_own_where_it_tells(at: float, less: float) -> None:
    entry = Entry(0.0, 0.0, 0.0, 0.0, 1.0, 1.0, np.linspace(-1, 1, 99))
    chances = [entry.chance(Blend(0.2, 0.03, True, 0.0, LEVELLED), where) for where in sorted((at, less))]
    assert 0 <= chances[1] <= chances[0] <= 1
    assert entry.chance(Blend(0.2, 0.03, True, 0.0, LEVELLED), 0.2) == pytest.approx(0.5)


def test_chance_of_a_measured_value_comes_from_the_residuals() -> None:
    entry = Entry(1.0, 0.0, 0.0, 1.0, 1.0, 1.0, np.linspace(-1, 1, 101))
    joined = entry.blend(LEVELLED, Measured(0.4, 0.3, 0.5))
    assert joined.share == 1.0
    assert entry.chance(joined, 0.4) == pytest.approx(51 / 101)
    assert entry.chance(joined, 0.1) == 1.0


def test_slope_and_offset_temper_a_network_that_is_too_sure() -> None:
    entry = Entry(0.0, 0.0, 0.0, 0.0, 1.0, 1.0, np.zeros(1), slope=0.5, offset=0.0)
    # Odds of 4 to 1 to the power of a half are 2 to 1.
    assert entry.chance(Blend(0.2, 0.03, True, 0.0, LEVELLED), 0.1) == pytest.approx(2 / 3)


def test_blend_weighs_and_widens_by_its_doubt() -> None:
    joined = blend(Estimate(0.2, 0.03, 0.9), Measured(0.3, 0.3, 0.3), weight=0.25, doubt=0.5, usual_gap=1.0)
    assert (joined.value, joined.scale, joined.agree) == (pytest.approx(0.225), pytest.approx(0.08), True)


def test_unusual_gap_is_reported_and_widens_by_its_excess() -> None:
    joined = blend(Estimate(0.2, 0.03, 0.9), Measured(0.5, 0.5, 0.5), usual_gap=0.1)
    assert (joined.value, joined.scale, joined.agree) == (pytest.approx(0.2), pytest.approx(0.23), False)


@given(direct=positive, geometry=positive, weight=st.floats(0, 1), doubt=st.floats(0, 1), gap=positive)
def test_blend_lies_between_its_voices_and_is_never_surer_than_the_network(
    direct: float, geometry: float, weight: float, doubt: float, gap: float
) -> None:
    joined = blend(
        Estimate(direct, 0.01, 0.5), Measured(geometry, geometry, geometry), weight=weight, doubt=doubt, usual_gap=gap
    )
    assert min(direct, geometry) - 1e-9 <= joined.value <= max(direct, geometry) + 1e-9
    assert joined.scale >= 0.01
