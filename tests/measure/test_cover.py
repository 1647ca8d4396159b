from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.cover import cover_ratio
from wearvision.measure.result import Measured, Reason, Unmeasured


def disc(radius: float, size: int = 200) -> np.ndarray:
    row, column = np.mgrid[:size, :size] - size / 2
    return np.hypot(row, column) <= radius


@pytest.mark.parametrize("share", [0.0, 0.02, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("radius", [30, 60, 95])
def test_concentric_discs_cover_the_square_of_their_radii(radius, share):
    outcome = cover_ratio(disc(radius * share**0.5 if share else -1), disc(radius))
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(share, abs=0.01)
    assert outcome.low <= share <= outcome.high


def test_deposit_outside_the_area_does_not_count():
    area = disc(50)
    assert cover_ratio(~area, area).value == 0.0


def test_weights_count_in_part_and_doubtful_ones_widen_the_interval():
    area = disc(50)
    half = cover_ratio(np.where(area, 0.6, 0.0), area)
    assert half.value == pytest.approx(0.6, abs=1e-6)
    assert (half.low, half.high) == (0.0, 1.0)


def test_ratio_grows_with_the_deposit():
    values = [cover_ratio(disc(radius), disc(90)).value for radius in (10, 30, 50, 80)]
    assert values == sorted(values)


@pytest.mark.parametrize(("radius", "reason"), [(-1, Reason.NOT_IN_VIEW), (3, Reason.NOT_RESOLVABLE)])
def test_area_that_carries_nothing_says_why(radius, reason):
    outcome = cover_ratio(disc(50), disc(radius))
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is reason


def test_different_shapes_raise():
    with pytest.raises(ValueError, match="different shapes"):
        cover_ratio(np.ones((20, 20), bool), np.ones((20, 21), bool))


def test_inputs_stay_as_they_are():
    deposit, area = disc(20).astype(np.float32), disc(60)
    copies = deposit.copy(), area.copy()
    cover_ratio(deposit, area)
    assert np.array_equal(deposit, copies[0])
    assert np.array_equal(area, copies[1])
