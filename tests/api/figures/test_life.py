"""Lives: what is invariant, what is refused, and that simulated parameters come back inside their intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.figures import Curve, Fit, Life, Unsaid, kaplan_meier, survival_curve, turnbull, weibull

TIMES = st.integers(1, 60).map(float)
EXACT = st.builds(lambda at, n: Life(at, at, n), TIMES, st.integers(1, 3))
RUNNING = st.builds(lambda at, n: Life(at, None, n), TIMES, st.integers(1, 3))
BETWEEN = st.builds(lambda low, width, n: Life(low - 1, low + width, n), TIMES, TIMES, st.integers(1, 3))
MIXED = st.lists(st.one_of(EXACT, RUNNING, BETWEEN), min_size=1, max_size=15)


def _alone(lives: list[Life]) -> list[Life]:
    return [Life(one.low, one.high) for one in lives for _ in range(one.count)]


@given(st.lists(st.one_of(EXACT, RUNNING), max_size=20), EXACT)
def test_kaplan_meier_and_turnbull_agree_where_both_hold(lives: list[Life], one: Life) -> None:
    """Turnbull's estimate is Kaplan-Meier's where no life lies between two times (Turnbull, 1976; from memory)."""
    product, general = kaplan_meier([*lives, one]), turnbull([*lives, one])
    for step in product.steps:
        assert general.at(step.time) == pytest.approx(step.survival, abs=1e-5)


@given(MIXED)
def test_curve_falls_and_stays_between_0_and_1(lives: list[Life]) -> None:
    curve = survival_curve(lives)
    if isinstance(curve, Unsaid):
        assert not any(one.failed for one in lives)
        return
    shares = [1.0, *(step.survival for step in curve.steps)]
    assert shares == sorted(shares, reverse=True)
    assert all(0 <= share <= 1 for share in shares)
    assert curve.parts == sum(one.count for one in lives)


@given(st.lists(st.one_of(RUNNING, BETWEEN), min_size=1, max_size=15))
def test_no_shift_of_mass_makes_the_lives_likelier(lives: list[Life]) -> None:
    """The estimate is the likeliest: putting part of the mass at any one time lowers the likelihood."""
    curve = survival_curve(lives)
    if isinstance(curve, Unsaid):
        return

    def mean_log(moved: float, time: float) -> float:
        """With a share of the mass moved to ``time``; each life's chance is a difference of the curve."""
        total = 0.0
        for one in lives:
            late = 0.0 if one.high is None else curve.at(one.high)
            inside = one.low < time and (one.high is None or time <= one.high)
            chance = (1 - moved) * (curve.at(one.low) - late) + moved * inside
            total += one.count * math.log(chance)
        return total / curve.parts

    best = mean_log(0.0, 1.0)
    last = max(one.low if one.high is None else one.high for one in lives)
    for time in np.arange(0.5, last + 2):
        assert mean_log(0.02, float(time)) <= best + 1e-7


@given(MIXED)
def test_counts_are_counts(lives: list[Life]) -> None:
    """Three parts of which the same is known are one line or three."""
    joined, alone = survival_curve(lives), survival_curve(_alone(lives))
    if isinstance(joined, Unsaid) or isinstance(alone, Unsaid):
        assert joined == alone
        return
    assert [step.survival for step in joined.steps] == pytest.approx([step.survival for step in alone.steps], abs=1e-9)


@pytest.mark.parametrize("factor", [0.01, 24.0])
def test_weibull_scales_with_its_unit(factor: float) -> None:
    lives = [Life(90, 90, 2), Life(150, 260), Life(0, 70), Life(300, 300), Life(400, None, 9)]
    moved = [Life(one.low * factor, None if one.high is None else one.high * factor, one.count) for one in lives]
    plain, scaled = weibull(lives), weibull(moved)
    assert isinstance(plain, Fit)
    assert isinstance(scaled, Fit)
    assert scaled.shape.value == pytest.approx(plain.shape.value, rel=1e-6)
    for before, after in ((plain.scale, scaled.scale), (plain.b10, scaled.b10)):
        assert after.value == pytest.approx(before.value * factor, rel=1e-6)
        assert (after.low, after.high) == pytest.approx((before.low * factor, before.high * factor), rel=1e-5)


def test_weibull_counts_are_counts() -> None:
    lives = [Life(90, 90, 2), Life(150, 260, 3), Life(400, None, 40)]
    joined, alone = weibull(lives), weibull(_alone(lives))
    assert isinstance(joined, Fit)
    assert isinstance(alone, Fit)
    assert (joined.shape.value, joined.scale.value) == pytest.approx((alone.shape.value, alone.scale.value), rel=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize("seen", ["exact", "inspected"])
def test_weibull_intervals_hold_the_truth_at_their_level(seen: str) -> None:
    """60 simulated fleets of 60 parts, shape 2 and scale 1000, watched to 900: 95 % intervals hold in about 57."""
    chance, tries = np.random.default_rng(5), 60
    held = {"shape": 0, "scale": 0, "b10": 0}
    truth = {"shape": 2.0, "scale": 1000.0, "b10": 1000 * (-math.log(0.9)) ** 0.5}
    for _ in range(tries):
        lives = []
        for time in 1000 * chance.weibull(2.0, 60):
            if time > 900:
                lives.append(Life(900, None))
            elif seen == "exact":
                lives.append(Life(time, time))
            else:
                low = math.floor(time / 150) * 150.0
                lives.append(Life(low, low + 150))
        found = weibull(lives)
        assert isinstance(found, Fit)
        for name, value in truth.items():
            bounds = getattr(found, name)
            held[name] += bounds.low <= value <= bounds.high
    print(f"{seen}: held in {held} of {tries}")
    # Fewer than 51 of 60 has a chance of 0.002 at 95 %.
    assert all(count >= 51 for count in held.values()), held


@pytest.mark.parametrize(
    ("lives", "words"),
    [
        ([Life(5, 5), Life(6, 6), Life(100, None, 80)], "2 failures are too few"),
        ([Life(100, None, 80)], "0 failures are too few"),
        ([Life(0, 100, 5), Life(100, None, 20)], "too few intervals"),
        ([Life(100, 100, 5), Life(100, None, 20)], "too close together"),
        ([Life(0, 200, 5)], "too few intervals"),
    ],
)
def test_weibull_says_why_it_cannot_be_said(lives: list[Life], words: str) -> None:
    found = weibull(lives)
    assert isinstance(found, Unsaid)
    assert words in found.reason


def test_curve_says_why_it_cannot_be_said() -> None:
    assert survival_curve([Life(100, None, 80)]) == Unsaid("None of 80 parts has failed: no curve falls.")
    assert survival_curve([]) == Unsaid("There are no lives on record.")


@pytest.mark.parametrize(("low", "high", "count"), [(5, 4, 1), (-1, 4, 1), (0, 0, 1), (math.nan, None, 1), (1, 2, 0)])
def test_life_refuses_what_is_none(low: float, high: float | None, count: int) -> None:
    with pytest.raises(ValueError, match=r"life|failure"):
        Life(low, high, count)


def test_kaplan_meier_refuses_lives_between_two_times() -> None:
    with pytest.raises(ValueError, match="exact and right-censored"):
        kaplan_meier([Life(1, 2)])
    with pytest.raises(ValueError, match="no failure"):
        turnbull([Life(1, None)])


def test_turnbull_rounds_times_of_many_lives_and_says_so() -> None:
    chance = np.random.default_rng(1)
    low = np.round(chance.uniform(0, 5000, 3000), 2)
    curve = turnbull([Life(float(one), float(one) + 200) for one in low])
    assert isinstance(curve, Curve)
    assert curve.rounded == pytest.approx(5200 / 400, rel=0.02)
    # Uniform lives: half of them are over at half of the span, about.
    assert curve.at(2600) == pytest.approx(0.5, abs=0.03)


def test_curve_values_between_steps() -> None:
    curve = kaplan_meier([Life(10, 10), Life(20, 20), Life(30, None, 2)])
    assert [curve.at(time) for time in (0, 9.9, 10, 19, 25, 1e6)] == [1, 1, 0.75, 0.75, 0.5, 0.5]
    assert (curve.reached(0.75), curve.reached(0.5), curve.reached(0.1)) == (10, 20, None)
    assert curve.hazards() == ([10, 20], pytest.approx([0.25, 0.25 + 1 / 3]))
