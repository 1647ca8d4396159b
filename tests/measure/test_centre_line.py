"""Bow of parts drawn from a centre line and a radius along it."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.centre_line import bow_ratio
from wearvision.measure.result import Measured, Reason, Unmeasured

END = 0.12  # share of the length that each end piece takes


def side(length: float, bow: float, degrees: float = 0.0, *, rib: float = 0.0, ends=(0.09, 0.12), fine: int = 3):
    """A part from the side, cover of each pixel: a parabola between the end pieces' centres, straight beyond."""
    size = int(1.3 * length)
    row, column = (np.mgrid[: size * fine, : size * fine] + 0.5) / fine - size / 2
    a = np.radians(degrees)
    along, across = column * np.cos(a) + row * np.sin(a), row * np.cos(a) - column * np.sin(a)
    share = (along / length + 0.5 - END / 2) / (1 - END)
    inner = np.clip(share, 0, 1)
    beyond = np.minimum(share, 0) - np.maximum(share - 1, 0)
    bend = bow * length * (1 - END) * 4 * (inner * (1 - inner) + beyond)
    place = along / length + 0.5
    radius = np.where(place < END, ends[0], np.where(place > 1 - END, ends[1], 0.07)) * length
    off = across - bend
    radius = np.where((np.abs(place - 0.42) < 0.03) & (off > 0), radius + rib * length, radius)
    solid = (np.abs(off) <= radius) & (place >= 0) & (place <= 1)
    return solid.reshape(size, fine, size, fine).mean(axis=(1, 3)).astype(np.float32)


@pytest.mark.parametrize("bow", [0.0, 0.012, 0.02, 0.03, 0.05])
@pytest.mark.parametrize("degrees", [0, 27, 90, 151])
def test_bow_is_measured_at_any_turn(bow, degrees):
    outcome = bow_ratio(side(380, bow, degrees) >= 0.5)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(bow, abs=0.003)
    assert outcome.low <= bow <= outcome.high


@pytest.mark.parametrize("length", [370, 520])
def test_bow_does_not_depend_on_size(length):
    assert bow_ratio(side(length, 0.03, 12)).value == pytest.approx(0.03, abs=0.002)


def test_probabilities_give_the_same_bow():
    soft = side(350, 0.02, 33)
    assert bow_ratio(soft).value == pytest.approx(bow_ratio(soft >= 0.5).value, abs=0.002)


@pytest.mark.parametrize("bow", [0.0, 0.03])
def test_rib_on_one_side_is_no_bow(bow):
    assert bow_ratio(side(400, bow, 20, rib=0.05)).value == pytest.approx(bow, abs=0.003)


def test_end_pieces_of_unlike_diameter_are_no_bow():
    assert bow_ratio(side(400, 0.0, 20, ends=(0.06, 0.14))).value < 0.003


def test_bow_grows_with_the_bend():
    values = [bow_ratio(side(380, bow, 10)).value for bow in (0.0, 0.01, 0.02, 0.04)]
    assert values == sorted(values)


def test_part_that_runs_out_of_the_picture_is_not_in_view():
    outcome = bow_ratio(side(350, 0.03)[:, 60:])
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is Reason.NOT_IN_VIEW


@pytest.mark.parametrize(
    ("mask", "reason"),
    [
        (np.zeros((50, 50), bool), Reason.NOT_IN_VIEW),
        (np.pad(np.ones((30, 30), bool), 10), Reason.NOT_RESOLVABLE),
        (np.pad(np.ones((5, 300), bool), 10), Reason.NOT_RESOLVABLE),
        (side(150, 0.012), Reason.NOT_RESOLVABLE),
    ],
    ids=["empty", "square", "thin", "small"],
)
def test_what_cannot_be_measured_says_why(mask, reason):
    outcome = bow_ratio(mask)
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is reason


def test_plain_bow_counts_in_a_small_picture():
    assert isinstance(bow_ratio(side(180, 0.05)), Measured)


def test_crossed_limits_raise():
    with pytest.raises(ValueError, match="finest"):
        bow_ratio(side(180, 0.05), finest=0.04, plain=0.03)


def test_input_stays_as_it_is():
    mask = side(200, 0.05)
    before = mask.copy()
    bow_ratio(mask)
    assert np.array_equal(mask, before)
