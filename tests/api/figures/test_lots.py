"""Lots: false alarms over many like lots stay at the stated rate, a lot four times worse is found."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.figures import Life, LotCount, compare_rates, compare_shares, kaplan_meier
from wearvision_api.figures.lots import holm

LOTS, PARTS, RATE, TRIES = 200, 300, 0.02, 200
COUNTS = st.lists(st.tuples(st.integers(0, 30), st.integers(30, 90)), min_size=2, max_size=30)


def _alarms(worse: float, how: str) -> list[set[str]]:
    """Lots called worse in each simulated year; lot 7 fails ``worse`` times as often as the others."""
    chance = np.random.default_rng(42)
    rates = np.full(LOTS, RATE)
    rates[7] *= worse
    found = []
    for _ in range(TRIES):
        failed = chance.binomial(PARTS, rates)
        counts = [
            LotCount(str(k), int(n), PARTS, float(PARTS) if how == "rates" else None) for k, n in enumerate(failed)
        ]
        compared = compare_rates(counts) if how == "rates" else compare_shares(counts)
        found.append({one.name for one in compared if one.worse})
    return found


@pytest.mark.slow
@pytest.mark.parametrize("how", ["rates", "shares"])
def test_200_like_lots_give_a_false_alarm_in_at_most_5_of_100_years(how: str) -> None:
    years = sum(bool(one) for one in _alarms(1.0, how))
    noise = 3 * np.sqrt(0.05 * 0.95 / TRIES)
    print(f"{how}: a false alarm in {years} of {TRIES} simulated tables of {LOTS} like lots")
    assert years / TRIES <= 0.05 + noise


@pytest.mark.slow
@pytest.mark.parametrize("how", ["rates", "shares"])
def test_a_lot_four_times_worse_is_found(how: str) -> None:
    """300 parts at 2 %: 6 failures expected, 24 on average in the bad lot."""
    years = _alarms(4.0, how)
    found = sum("7" in one for one in years)
    others = sum(bool(one - {"7"}) for one in years)
    print(f"{how}: the bad lot found in {found} of {TRIES}, another one called worse in {others}")
    assert found / TRIES >= 0.9
    assert others / TRIES <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / TRIES)


@given(COUNTS)
def test_shares_stay_in_order_and_bounds(counts: list[tuple[int, int]]) -> None:
    figures = compare_shares([LotCount(str(k), *pair) for k, pair in enumerate(counts)])
    assert sorted(int(one.name) for one in figures) == list(range(len(counts)))
    for one in figures:
        assert 0 <= one.p <= one.p_bh <= one.p_holm <= 1 or one.p_bh == pytest.approx(one.p_holm)
        assert one.low is not None
        assert one.high is not None
        assert one.low <= one.found / one.of <= one.high
        assert one.worse == (one.p_holm <= 0.05)


@given(COUNTS, st.integers(2, 9))
def test_rates_depend_on_the_proportion_of_what_is_expected_only(counts: list[tuple[int, int]], factor: int) -> None:
    lots = [LotCount(str(k), found, of, float(of)) for k, (found, of) in enumerate(counts)]
    more = [LotCount(one.name, one.found, one.of, factor * float(one.of)) for one in lots]
    assert [one.p for one in compare_rates(lots)] == pytest.approx([one.p for one in compare_rates(more)], rel=1e-9)
    assert sum(one.expected or 0 for one in compare_rates(lots)) == pytest.approx(sum(one.found for one in lots))


@given(st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_holm_never_lowers_and_keeps_the_order(values: list[float]) -> None:
    p = np.array(values)
    corrected = holm(p)
    assert (corrected >= p).all()
    assert corrected.max() <= 1
    order = np.argsort(p, kind="stable")
    assert (np.diff(corrected[order]) >= 0).all()
    assert corrected[order[0]] == pytest.approx(min(p.min() * len(p), 1))


def test_a_lot_without_parts_says_nothing() -> None:
    empty = next(one for one in compare_shares([LotCount("a", 0, 0), LotCount("b", 3, 9)]) if one.name == "a")
    assert (empty.share, empty.p, empty.worse) == (None, 1.0, False)


@pytest.mark.parametrize("lots", [[], [LotCount("a", 1, 2)]])
def test_one_lot_is_compared_with_nothing(lots: list[LotCount]) -> None:
    with pytest.raises(ValueError, match="two or more"):
        compare_shares(lots)


def test_rates_need_what_is_expected() -> None:
    with pytest.raises(ValueError, match="expected"):
        compare_rates([LotCount("a", 1, 2), LotCount("b", 1, 2)])
    with pytest.raises(ValueError, match="lot a"):
        LotCount("a", 3, 2)


def test_expected_by_hazard_adds_up_to_the_failures() -> None:
    """Nelson-Aalen's hazards over all lives sum to the failures: observed and expected balance (log-rank identity)."""
    chance = np.random.default_rng(3)
    times, ends = 500 * chance.weibull(1.5, 300), chance.uniform(100, 800, 300)
    lives = [Life(t, t) if t <= e else Life(e, None) for t, e in zip(times, ends, strict=True)]
    at, sums = kaplan_meier(lives).hazards()
    total = 0.0
    for one in lives:
        place = np.searchsorted(at, one.low, side="right")
        total += sums[place - 1] if place else 0.0
    assert total == pytest.approx(sum(one.failed for one in lives), rel=1e-9)
