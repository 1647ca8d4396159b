from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.chip import chip_ratio, insulator_diameter_px
from wearvision.measure.result import Measured, Reason, Unmeasured


def bar(width: float, length: float, degrees: float, size: int = 240) -> np.ndarray:
    row, column = np.mgrid[:size, :size] - (size - 1) / 2
    a = np.radians(degrees)
    along, across = column * np.cos(a) + row * np.sin(a), row * np.cos(a) - column * np.sin(a)
    return (np.abs(along) <= length / 2) & (np.abs(across) <= width / 2)


@pytest.mark.parametrize("degrees", [0, 20, 45, 77])
@pytest.mark.parametrize("width", [12, 30, 50])
def test_diameter_is_the_width_across_the_own_axis(width, degrees):
    assert insulator_diameter_px(bar(width, 3.2 * width, degrees)) == pytest.approx(width, rel=0.05)


def test_diameter_passes_over_notch_hole_and_neck():
    whole = bar(40, 140, 0)
    whole[100:110, 110:118] = False
    whole[128:, 60:70] = False
    neck = whole & ~((np.arange(240) > 160) & (np.abs(np.arange(240) - 120) > 12)[:, None])
    assert insulator_diameter_px(whole) == pytest.approx(40, abs=1)
    assert insulator_diameter_px(neck) == pytest.approx(40, abs=1)


@pytest.mark.parametrize("mask", [np.zeros((40, 40), bool), np.pad(np.ones((5, 60), bool), 5)])
def test_no_diameter_where_there_is_none_to_see(mask):
    assert insulator_diameter_px(mask) is None


def test_chip_is_a_share_of_the_whole_insulator():
    whole = bar(60, 160, 0)
    chip = whole.copy()
    chip[:, :190] = False
    chip[120:] = False
    outcome = chip_ratio(chip, whole & ~chip)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(chip.sum() / whole.sum())
    assert outcome.low < outcome.value < outcome.high


def test_no_chip_is_nought():
    assert chip_ratio(np.zeros((240, 240), bool), bar(60, 160, 0)).value == 0.0


def test_chip_facing_the_camera_is_seen_but_unmeasured():
    whole = bar(80, 180, 0)
    row, column = np.mgrid[:240, :240]
    outcome = chip_ratio(np.hypot(row - 120, column - 120) < 9, whole & (np.hypot(row - 120, column - 120) >= 9))
    assert isinstance(outcome, Unmeasured)
    assert "from the front" in outcome.note


@pytest.mark.parametrize(("width", "reason"), [(0.2, Reason.NOT_IN_VIEW), (10, Reason.NOT_RESOLVABLE)])
def test_chip_that_cannot_be_judged_says_why(width, reason):
    outcome = chip_ratio(np.zeros((240, 240), bool), bar(width, 30, 0) if width > 1 else np.zeros((240, 240), bool))
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is reason
