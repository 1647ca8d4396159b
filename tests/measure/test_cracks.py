"""Lengths against lines that are drawn here, pixel by pixel, from their distance to a polyline."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from wearvision.measure.cracks import crack_length, crack_ratio, ridge_response
from wearvision.measure.result import Measured, Reason, Unmeasured

WIDTHS = (1.0, 2.0, 3.0, 5.0, 9.0)


def line_mask(points: np.ndarray, width: float, margin: int = 12) -> np.ndarray:
    """All pixels whose centre lies within half the width of the polyline (row, column)."""
    points = points - points.min(axis=0) + margin + 0.37  # off the pixel raster
    height, breadth = (int(v) + margin for v in points.max(axis=0))
    row, column = np.mgrid[:height, :breadth].astype(float)
    nearest = np.full((height, breadth), np.inf)
    for start, stop in pairwise(points):
        step = stop - start
        share = np.clip(((row - start[0]) * step[0] + (column - start[1]) * step[1]) / (step @ step), 0, 1)
        nearest = np.minimum(nearest, np.hypot(row - start[0] - share * step[0], column - start[1] - share * step[1]))
    return nearest <= width / 2


def length_of(points: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def straight(length: float, degrees: float) -> np.ndarray:
    return np.stack([np.zeros(2), length * np.array([np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])])


def arc(radius: float, radians: float, start: float) -> np.ndarray:
    angle = start + np.linspace(0, radians, 80)
    return radius * np.stack([np.sin(angle), np.cos(angle)], axis=1) + 0.37


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("length", [80, 160, 320])
def test_straight_crack_is_measured_within_3_percent_at_any_angle(length, width):
    for degrees in (0, 10, 22.5, 31, 45, 67.5, 90, 140):
        found = crack_length(line_mask(straight(length, degrees), width))
        assert found.length_px == pytest.approx(length, rel=0.03)
        assert found.low_px <= length <= found.high_px


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("radius", [30, 60, 120])
def test_curved_crack_is_measured_within_5_percent(radius, width):
    for start in (0.0, 0.7, 2.0):
        course = arc(radius, 2.0, start)
        found = crack_length(line_mask(course, width))
        assert found.length_px == pytest.approx(length_of(course), rel=0.05)


def test_jagged_crack_is_measured_within_5_percent_and_traced():
    rng = np.random.default_rng(4)
    course = np.stack([np.cumsum(rng.normal(0, 8, 12)), np.linspace(0, 260, 12)], axis=1)
    found = crack_length(line_mask(course, 3.0))
    assert found.length_px == pytest.approx(length_of(course), rel=0.05)
    placed = course - course.min(axis=0) + 12.37
    off = np.hypot(*(found.trace[:, None] - placed[None]).transpose(2, 0, 1))
    assert off.min(axis=0).max() < 3.0  # the course passes near every corner of the true line


def test_branches_are_not_counted():
    main, branch = straight(200, 0), np.array([[0.0, 100], [40.0, 130]])
    whole = np.pad(line_mask(main, 3.0), ((0, 60), (0, 0)))
    for share in np.linspace(0, 1, 200):
        row, column = (branch[0] + share * (branch[1] - branch[0]) + 12).round().astype(int)
        whole[row : row + 2, column : column + 2] = True
    assert crack_length(whole).length_px == pytest.approx(200, rel=0.03)


def test_longest_of_several_cracks_counts():
    mask = np.zeros((200, 300), bool)
    mask[40, 20:120] = True
    mask[120:123, 60:260] = True
    assert crack_length(mask).length_px == pytest.approx(198, rel=0.03)


def test_small_gap_is_bridged_and_widens_the_interval():
    mask = line_mask(straight(150, 20), 3.0)
    broken = mask.copy()
    broken[:, 80:84] = False
    whole, bridged = crack_length(mask), crack_length(broken)
    assert bridged.length_px == pytest.approx(150, rel=0.03)
    assert bridged.bridged_px > 0
    assert bridged.high_px - bridged.low_px > whole.high_px - whole.low_px


def test_wide_gap_parts_two_cracks():
    mask = line_mask(straight(160, 0), 2.0)
    mask[:, 80:110] = False
    assert crack_length(mask).length_px < 90


def test_lines_side_by_side_are_not_joined():
    parallel = np.zeros((60, 120), bool)
    parallel[20, 10:110] = parallel[24, 10:110] = True
    assert crack_length(parallel).length_px == pytest.approx(99, rel=0.03)


@pytest.mark.parametrize("shape", ["disc", "square", "two_to_one", "pixel"])
def test_what_is_no_line_counts_as_nothing(shape):
    row, column = np.mgrid[:80, :80]
    masks = {
        "disc": np.hypot(row - 40, column - 40) < 20,
        "square": (abs(row - 40) < 15) & (abs(column - 40) < 15),
        "two_to_one": (abs(row - 40) < 10) & (abs(column - 40) < 19),
        "pixel": (row == 40) & (column == 40),
    }
    assert crack_length(masks[shape]).length_px == 0.0


def test_length_grows_with_the_crack():
    lengths = [crack_length(line_mask(straight(length, 33), 3.0)).length_px for length in (20, 40, 80, 160)]
    assert lengths == sorted(lengths)


def test_length_does_not_depend_on_place_or_mirroring():
    mask = line_mask(arc(40, 2.0, 0.5), 3.0)
    length = crack_length(mask).length_px
    assert crack_length(np.pad(mask, ((31, 7), (5, 90)))).length_px == pytest.approx(length, abs=1e-9)
    assert crack_length(mask[::-1]).length_px == pytest.approx(length, rel=0.02)
    assert crack_length(mask.T).length_px == pytest.approx(length, rel=0.02)


def test_probabilities_count_at_half_level_and_input_is_unchanged():
    mask = line_mask(straight(90, 15), 3.0)
    weights = np.where(mask, 0.8, 0.3).astype(np.float32)
    before = weights.copy()
    assert crack_length(weights).length_px == crack_length(mask).length_px
    assert np.array_equal(weights, before)


def test_empty_mask_has_no_length_and_no_trace():
    found = crack_length(np.zeros((30, 30), bool))
    assert (found.length_px, found.low_px, found.high_px) == (0.0, 0.0, 0.0)
    assert found.trace.shape == (0, 2)


def test_ratio_is_length_over_reference():
    outcome = crack_ratio(line_mask(straight(120, 40), 3.0), 100.0, floor=0.1, plain=0.25)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(1.2, rel=0.03)
    assert outcome.low <= 1.2 <= outcome.high
    assert outcome.trace is not None


def test_ratio_without_crack_is_nought_with_an_upper_end():
    outcome = crack_ratio(np.zeros((50, 50), bool), 100.0, floor=0.1, plain=0.25)
    assert isinstance(outcome, Measured)
    assert outcome.value == outcome.low == 0.0
    assert 0 < outcome.high <= 0.1


@pytest.mark.parametrize(
    ("length", "reference", "reason"),
    [(0, None, Reason.NOT_IN_VIEW), (0, 25.0, Reason.NOT_RESOLVABLE), (6, 40.0, Reason.NOT_RESOLVABLE)],
)
def test_ratio_that_cannot_be_had_says_why(length, reference, reason):
    mask = line_mask(straight(length, 0), 1.0) if length else np.zeros((20, 20), bool)
    outcome = crack_ratio(mask, reference, floor=0.1, plain=0.25)
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is reason


def test_plain_crack_counts_in_a_coarse_picture():
    assert isinstance(crack_ratio(line_mask(straight(20, 0), 2.0), 25.0, floor=0.1, plain=0.25), Measured)


def test_ridge_response_marks_dark_lines_only():
    gray = np.full((60, 60), 0.8)
    gray[:, 29:32] = 0.3
    dark, bright = ridge_response(gray), ridge_response(1 - gray)
    assert dark[30, 30] > 0.2
    assert dark[30, 5] == pytest.approx(0, abs=1e-4)
    assert bright[30, 30] == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize(
    ("gray", "sigmas"), [(np.zeros((5, 5), np.uint8), (1.0,)), (np.zeros((5, 5)), ()), (np.zeros((5, 5)), (0.0,))]
)
def test_ridge_response_of_wrong_input_raises(gray, sigmas):
    with pytest.raises(ValueError, match=r"luminance|scales"):
        ridge_response(gray, sigmas)
