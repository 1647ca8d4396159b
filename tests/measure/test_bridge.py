from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.bridge import bridge, narrowing
from wearvision.measure.result import Measured, Reason, Unmeasured

NONE = np.zeros((120, 160), bool)


def box(top: int, bottom: int, left: int, right: int) -> np.ndarray:
    mask = NONE.copy()
    mask[top:bottom, left:right] = True
    return mask


ROD, OTHER = box(20, 40, 20, 100), box(80, 100, 20, 100)  # 40 px of gap


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2, 0.5, 0.75, 1.0])
def test_narrowing_is_the_share_of_the_gap_that_deposit_takes(share):
    growth = box(40, 40 + round(40 * share), 80, 95)
    found, gap = narrowing(ROD, OTHER, growth)
    assert found == pytest.approx(share, abs=0.01)
    assert gap == pytest.approx(40)


@pytest.mark.parametrize(("share", "expected"), [(0.1, 0.0), (0.4, 1.0), (1.0, 1.0)])
def test_quarter_of_the_gap_makes_a_bridge(share, expected):
    growth = box(40, 40 + round(40 * share), 80, 95)
    outcome = bridge([ROD, OTHER], NONE, growth, NONE, diameter_px=20)
    assert isinstance(outcome, Measured)
    assert outcome.value == expected


def test_near_a_quarter_either_answer_is_open():
    outcome = bridge([ROD, OTHER], NONE, box(40, 50, 80, 95), NONE, diameter_px=20)
    assert (outcome.low, outcome.high) == (0.0, 1.0)


def test_deposit_on_the_rods_or_the_ceramic_bridges_nothing():
    ceramic = box(10, 110, 0, 30)
    outcome = bridge([ROD & ~ceramic, OTHER & ~ceramic], ceramic, ROD | OTHER | ceramic, NONE, diameter_px=20)
    assert (outcome.value, outcome.low, outcome.high) == (0.0, 0.0, 0.0)


def test_deposit_that_hangs_on_no_rod_bridges_nothing():
    assert narrowing(ROD, OTHER, box(55, 65, 80, 95))[0] == 0.0


def test_single_rod_goes_by_what_was_recognised():
    marked = box(40, 60, 80, 95)
    assert bridge([ROD], NONE, NONE, marked, diameter_px=20).value == 1.0
    assert bridge([ROD], NONE, marked, NONE, diameter_px=20).value == 0.0
    assert bridge([ROD], NONE, NONE, box(40, 42, 80, 82), diameter_px=20).value == 0.0


def test_contradicting_evidence_leaves_both_open():
    outcome = bridge([ROD, OTHER], NONE, NONE, box(55, 65, 110, 125), diameter_px=20)
    assert (outcome.low, outcome.high) == (0.0, 1.0)


def test_no_rod_is_not_in_view_and_no_diameter_raises():
    outcome = bridge([], NONE, NONE, NONE, diameter_px=20)
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is Reason.NOT_IN_VIEW
    with pytest.raises(ValueError, match="diameter"):
        bridge([ROD], NONE, NONE, NONE, diameter_px=0)
