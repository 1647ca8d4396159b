"""The photocell law: limits and directions. Published values are in tests/outside."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.photocell import critical_light, gamma_of, light_factor, predict, resistance, rise

USUAL = (300.0, 1000.0)


@given(st.floats(0, 0.95), st.floats(0, 0.95), st.floats(0, 0.95), st.floats(0, 0.95))
@settings(max_examples=100, deadline=None)
def test_light_factor_holds_both_readings_of_the_layers(a: float, b: float, c: float, d: float) -> None:
    film, haze = (min(a, b), max(a, b)), (min(c, d), max(c, d))
    dark, bright = light_factor(film, haze)
    for f in film:
        for h in haze:
            once = (1 - f) * (1 - h)
            assert dark <= once * (1 + 1e-12)
            assert math.sqrt(once) <= bright * (1 + 1e-12)


def test_more_dirt_reads_higher() -> None:
    clean = predict(((0.0, 0.0), (0.0, 0.0)), usual_ohm=USUAL, limit_ohm=1600, clean_ohm=600)
    dirty = predict(((0.2, 0.3), (0.0, 0.1)), usual_ohm=USUAL, limit_ohm=1600, clean_ohm=600)
    assert clean.ohm == (600, 600)
    assert dirty.ohm[0] > 600
    assert dirty.factor[0] < dirty.typical < dirty.factor[1]
    assert dirty.margin_ohm == pytest.approx(1600 - dirty.ohm[1])


def test_without_a_clean_reading_there_is_a_range_and_no_margin() -> None:
    found = predict(((0.1, 0.2), (0.0, 0.1)), usual_ohm=USUAL, limit_ohm=1600)
    assert found.margin_ohm is None
    assert found.ohm[0] == pytest.approx(300 * found.factor[0])
    assert found.ohm[1] == pytest.approx(1000 * found.factor[1])


def test_critical_light_inverts_the_rise() -> None:
    assert 600 * rise(critical_light(600, 1600, 0.8), 0.8) == pytest.approx(1600)
    assert critical_light(2000, 1600) == 1.0
    assert rise(0.0) == math.inf


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
def test_resistance_that_is_not_positive_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        resistance(100, bad)
    with pytest.raises(ValueError, match="must be positive"):
        predict((), usual_ohm=USUAL, limit_ohm=1600, clean_ohm=bad)


def test_light_loss_out_of_range_and_same_light_twice_are_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        light_factor((-0.1, 1.2), (0.0, math.nan))
    with pytest.raises(ValueError, match="between 0 and 1"):
        rise(1.1)
    with pytest.raises(ValueError, match="no exponent"):
        gamma_of((10, 100), (10, 200))
