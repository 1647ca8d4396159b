from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.plane_scale import ScaleFit, fit_scale
from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.measure.settings import Chart, reach, spark_gap, tip_height, within

CARD = np.array([(0.0, 0.0), (80.0, 0.0), (80.0, 50.0), (0.0, 50.0)])


def level(px_per_mm: float = 10.0, focal_px: float | None = None) -> ScaleFit:
    """A card seen straight on, its corner at row 100, column 100."""
    seen = 100 + px_per_mm * CARD
    return fit_scale(CARD, seen, (1000, 1400), extent_mm=(80.0, 50.0), source="test", focal_px=focal_px)


def rods(gap_px: int) -> tuple[np.ndarray, np.ndarray]:
    first, second = np.zeros((1000, 1400), bool), np.zeros((1000, 1400), bool)
    first[300:330, 950:1100] = True
    second[330 + gap_px : 360 + gap_px, 950:1100] = True
    return first, second


@pytest.mark.parametrize("gap_px", [30, 32, 48])
def test_gap_is_pixels_over_scale(gap_px):
    outcome = spark_gap(*rods(gap_px), level())
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(gap_px / 10, abs=0.02)
    assert outcome.low < outcome.value < outcome.high
    assert outcome.unit == "mm"


def test_height_is_corrected_by_the_distance():
    """At 10 px/mm and 3000 px of focal length the card is 300 mm away; 30 mm nearer makes 10 % of size."""
    flat, raised = (spark_gap(*rods(40), level(focal_px=3000.0), height_mm=h) for h in (None, 30.0))
    assert raised.value == pytest.approx(flat.value * 0.9, rel=0.002)
    assert "30 mm" in raised.note


def test_height_behind_the_camera_is_refused():
    outcome = spark_gap(*rods(40), level(focal_px=3000.0), height_mm=400.0)
    assert isinstance(outcome, Unmeasured)
    assert "behind the camera" in outcome.note


@pytest.mark.parametrize(
    ("masks", "scale", "reason"),
    [
        (rods(40), None, Reason.NOT_IN_VIEW),
        ((rods(40)[0], np.zeros((1000, 1400), bool)), level(), Reason.NOT_IN_VIEW),
        (rods(6), level(), Reason.NOT_RESOLVABLE),
    ],
)
def test_gap_that_cannot_be_had_says_why(masks, scale, reason):
    outcome = spark_gap(*masks, scale)
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is reason


@pytest.mark.parametrize("axis", [(0, 1), (0, 7.5), (-1, 0), (0.6, 0.8)])
def test_tip_height_and_reach_are_across_and_along_the_nozzle(axis):
    unit = np.array(axis) / np.hypot(*axis)
    tip = np.array([500.0, 600.0]) + 32 * unit + 127 * np.array([unit[1], -unit[0]])
    assert reach(tip, (500, 600), axis, level()).value == pytest.approx(3.2, abs=1e-6)
    assert tip_height(tip, (500, 600), axis, level()).value == pytest.approx(12.7, abs=1e-6)


def test_tip_behind_the_nozzle_has_negative_reach():
    assert reach((500, 560), (500, 600), (0, 1), level()).value == pytest.approx(-4.0)


def test_nozzle_without_direction_or_scale():
    with pytest.raises(ValueError, match="no length"):
        reach((500, 560), (500, 600), (0, 0), level())
    assert isinstance(tip_height((500, 560), (500, 600), (0, 1), None), Unmeasured)


def test_within_needs_a_chart_and_a_value():
    value = Measured(4.0, 3.8, 4.2, unit="mm")
    assert within(value, None) is None
    assert within(Unmeasured(Reason.NOT_IN_VIEW), Chart(3.2, 4.8)) is None
    assert within(value, Chart(3.2, 4.8)) is True
    assert within(value, Chart(4.5, 4.8)) is False


def test_crossed_chart_raises():
    with pytest.raises(ValueError, match="upwards"):
        Chart(4.8, 3.2)


def test_plane_needs_four_points():
    with pytest.raises(ValueError, match="four points"):
        fit_scale(CARD[:3], CARD[:3], (10, 10), extent_mm=(80, 50), source="test")
