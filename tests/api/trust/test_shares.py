"""Weighted shares: what they come to by hand, when nothing is said, and that bounds and intervals hold the share."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision_api.trust.shares import Class, share, wilson

CLASS = st.builds(
    lambda chance, counts: Class(chance, counts[2], counts[1], counts[0]),
    st.sampled_from([0.05, 0.2, 0.5, 1.0]),
    st.lists(st.integers(0, 60), min_size=3, max_size=3).map(sorted),
)


def test_a_check_in_five_counts_five_times() -> None:
    """40 doubtful checks, 28 right; 20 drawn ones, 19 right: (28 + 5 · 19) / (40 + 5 · 20)."""
    found = share([Class(1.0, 40, 40, 28), Class(0.2, 20, 20, 19)])
    assert found.value == pytest.approx((28 + 5 * 19) / (40 + 5 * 20))
    assert found.unweighted == pytest.approx(47 / 60)
    assert (found.least, found.most) == (pytest.approx(found.value), pytest.approx(found.value))


def test_those_who_answer_stand_for_those_of_their_class_who_do_not() -> None:
    """Drawn checks come back half as often; without that they would count half as much as they should."""
    all_back = share([Class(1.0, 40, 40, 28), Class(0.2, 20, 20, 10)])
    half_back = share([Class(1.0, 40, 40, 28), Class(0.2, 20, 10, 5)])
    assert half_back.value == pytest.approx(all_back.value)
    assert half_back.least == pytest.approx((28 + 5 * 5) / 140)
    assert half_back.most == pytest.approx((28 + 5 * 15) / 140)
    assert half_back.low is not None
    assert all_back.low is not None
    assert half_back.low < all_back.low


def test_nothing_is_said_of_a_large_class_that_sent_nothing_back() -> None:
    found = share([Class(1.0, 40, 40, 28), Class(0.2, 20, 0, 0)])
    assert (found.value, found.low, found.high) == (None, None, None)
    assert found.reason == "Of 20 checks that stand for 71% of these grades none has come back yet."
    assert found.unweighted == 0.7
    assert (found.least, found.most) == (pytest.approx(28 / 140), pytest.approx(128 / 140))


def test_a_small_silent_class_is_left_to_the_bounds() -> None:
    found = share([Class(1.0, 95, 95, 95), Class(1.0, 5, 0, 0)])
    assert (found.value, found.least, found.most) == (1.0, 0.95, 1.0)


def test_nothing_asked_is_nothing_said() -> None:
    assert share([]).reason == share([Class(0.2, 0, 0, 0)]).reason == "No check was asked for yet."
    assert share([Class(1.0, 3, 0, 0)]).unweighted is None


@pytest.mark.parametrize("counts", [(1.0, 3, 4, 2), (1.0, 4, 3, 4), (0.0, 4, 3, 2), (1.2, 4, 3, 2), (1.0, 4, 3, -1)])
def test_impossible_counts_are_refused(counts: tuple[float, int, int, int]) -> None:
    with pytest.raises(ValueError, match="no class of checks"):
        Class(*counts)


@settings(deadline=None)
@given(st.lists(CLASS, max_size=5))
def test_interval_and_bounds_hold_the_share(classes: list[Class]) -> None:
    found = share(classes)
    assert found.asked == sum(one.asked for one in classes)
    if found.least is not None and found.most is not None:
        assert 0 <= found.least <= found.most <= 1
    if found.value is None:
        assert found.reason
        return
    assert found.low is not None
    assert found.high is not None
    assert 0 <= found.low <= found.value <= found.high <= 1
    assert found.low < found.high
    assert 0 < found.effective <= found.answered


@settings(deadline=None)
@given(st.integers(1, 400), st.data())
def test_one_class_is_the_plain_interval(answered: int, data: st.DataObject) -> None:
    held = data.draw(st.integers(0, answered))
    for chance in (1.0, 0.2):
        found = share([Class(chance, answered, answered, held)])
        assert (found.low, found.high) == pytest.approx(wilson(held / answered, answered))
        assert found.effective == pytest.approx(answered)


@settings(deadline=None)
@given(st.lists(CLASS, min_size=1, max_size=4), st.integers(2, 5))
def test_more_of_the_same_is_surer(classes: list[Class], times: int) -> None:
    few = share(classes)
    many = share([Class(one.chance, *(times * n for n in (one.asked, one.answered, one.held))) for one in classes])
    assert many.value == (pytest.approx(few.value) if few.value is not None else None)
    if few.low is not None and few.high is not None and few.value not in (0.0, 1.0):
        assert many.low is not None
        assert many.high is not None
        assert many.high - many.low < few.high - few.low
