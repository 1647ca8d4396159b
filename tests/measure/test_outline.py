"""Sub-pixel outlines, profiles, and the end's departure from its nominal outline."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.measure import outline as lines
from wearvision.measure.ellipse import stretch
from wearvision.measure.nominal import regular
from wearvision.measure.profile import Frame, profile_deviation
from wearvision.measure.result import Reason, Unmeasured
from wearvision_training.figures import TURN, Pose, bump, hexagon, ribbed, seen
from wearvision_training.geometry_cases import ENDS, worn_end

SQUARE_ON = Frame(np.eye(2), 0.0, True)
MEAN_ERROR = 0.008  # the bound for the mean absolute error over worn examples

@pytest.mark.parametrize("radius", [9.3, 20.0, 51.7])
def test_outline_disc_has_the_radius_within_a_tenth_of_a_pixel(radius):
    """The pixel trap: a staircase outline would be off by half a pixel and circularity by a tenth."""
    rows, columns = np.mgrid[:120, :120]
    points = lines.outline(np.hypot(rows - 60.3, columns - 59.8) < radius)
    reach = np.hypot(points[:, 0] - 60.3, points[:, 1] - 59.8)
    assert reach.mean() == pytest.approx(radius, abs=0.1)
    assert reach.std() < 0.25


def test_outline_soft_disc_is_finer_than_a_bool_one():
    rows, columns = np.mgrid[:120, :120]
    soft = np.clip(30.37 - np.hypot(rows - 60.3, columns - 59.8) + 0.5, 0, 1)
    reach = np.hypot(*(lines.outline(soft) - [60.3, 59.8]).T)
    assert reach.mean() == pytest.approx(30.37, abs=0.06)
    assert reach.std() < 0.08


def test_outline_largest_piece_only_and_none_when_empty():
    mask = np.zeros((60, 60), bool)
    mask[5:8, 5:8] = mask[20:50, 20:50] = True
    assert lines.outline(mask).min() > 18
    assert lines.outline(np.zeros((20, 20), bool)).shape == (0, 2)


@given(st.integers(3, 8), st.floats(0.01, 0.1), st.floats(0, 6.28))
@settings(max_examples=20, deadline=None)
def test_lowpass_keeps_waves_of_wear_and_drops_fine_ones(order, amount, phase):
    turn = lines.angles()
    radii = 50 + 50 * amount * np.cos(order * turn - phase)
    assert np.allclose(lines.lowpass(radii + np.cos(60 * turn)), radii, atol=1e-9)


def test_polar_and_back_is_the_same_outline():
    radii = 30 + 2 * np.cos(3 * lines.angles())
    assert np.allclose(lines.polar(lines.unpolar(radii)), radii, atol=1e-9)


@pytest.mark.parametrize(("width_deg", "depth", "kept_all"), [(8, -10.0, False), (12, 9.0, False), (0, 0.0, True)])
def test_without_features_notch_and_tab_go_dent_stays(width_deg, depth, kept_all):
    turn = lines.angles()
    away = np.abs((turn - 2.0 + np.pi) % (2 * np.pi) - np.pi)
    dent = -8 * np.exp(-0.5 * (np.abs(turn - 4.5) / 0.2) ** 2)
    kept = lines.without_features(100 + dent + depth * (away < np.radians(width_deg) / 2))
    assert kept.all() == kept_all
    assert kept[np.abs(turn - 4.5) < 0.6].all()


def test_period_of_designs_and_not_of_wear():
    turn = lines.angles()
    assert lines.period_of(np.interp(turn, TURN, hexagon()) * 100).order == 6
    assert lines.period_of(np.interp(turn, TURN, ribbed()) * 100).order == 10
    assert lines.period_of(100 - 8 * np.exp(-0.5 * ((turn - 3) / 0.2) ** 2)) is None
    assert lines.period_of(100 + 6 * np.cos(5 * turn)).pure


@pytest.mark.parametrize("size", [40, 80, 160])
def test_profile_deviation_worn_ends_mean_error_within_bound(size):
    """Round, ribbed and hexagonal ends with dents and waves, tilts to 35 degrees, the tilt known."""
    found, true = [], []
    rng = np.random.default_rng(size)
    for shape in np.repeat(list(ENDS), 6):
        radii, amount = worn_end(shape, rng.uniform(0.03, 0.12), rng)
        pose = Pose.by_chance(rng)
        frame = Frame(stretch(np.cos(np.radians(pose.tilt_deg)), pose.towards), pose.tilt_deg, True, 0.3 / size)
        found.append(profile_deviation(seen(radii, size, pose), frame=frame, limit=0.0).value)
        true.append(amount)
    error = np.abs(np.array(found) - true).mean()
    assert error <= MEAN_ERROR
    assert error < 0.5 * np.abs(true - np.median(true)).mean()


@pytest.mark.parametrize("shape", list(ENDS))
@pytest.mark.parametrize("size", [60, 150])
def test_profile_deviation_new_end_is_no_alarm(shape, size):
    outcome = profile_deviation(seen(ENDS[shape], size, Pose(22, 0.7, 14)), limit=0.0)
    assert outcome.value < 0.015
    assert outcome.low < 0.005


def test_profile_deviation_deeper_dent_measures_more():
    values = [profile_deviation(seen(1 - a * bump(1.0, 40), 120)).value for a in (0.03, 0.06, 0.09, 0.12)]
    assert np.all(np.diff(values) > 0.015)


def test_profile_deviation_dent_counts_with_its_whole_depth():
    assert profile_deviation(seen(1 - 0.08 * bump(1.0, 35), 150)).value == pytest.approx(0.08, abs=0.006)


def test_profile_deviation_wide_dent_on_a_round_end_is_no_three_lobed_design():
    """Most of the outline lies on a circle: that is round, however well a median over three turns may fit."""
    values = [profile_deviation(seen(1 - 0.1 * bump(at, 55), 80), frame=SQUARE_ON).value for at in (0.4, 1.9, 4.0)]
    assert values == pytest.approx([0.1] * 3, abs=0.012)


def test_profile_deviation_waves_on_a_hexagon_count_with_their_own_height():
    """No two sides agree, and a median over the six would follow the waves."""
    wave = np.cos(4 * TURN - 1) + 0.8 * np.cos(7 * TURN - 2)
    radii = hexagon() + 0.08 * wave / np.abs(wave).max()
    outcome = profile_deviation(seen(radii, 150), frame=SQUARE_ON)
    assert outcome.value == pytest.approx(0.08 / hexagon().max(), abs=0.01)


def test_regular_sound_turns_outvote_a_dent_and_waves_cancel():
    turn = lines.angles()
    plain = 100 + 6 * np.cos(5 * turn)
    dented = plain - 15 * np.exp(-0.5 * ((turn - 3) / 0.3) ** 2)
    assert np.allclose(regular(dented, 5), plain, atol=0.5)
    assert np.allclose(regular(plain + 8 * np.cos(3 * turn), 5), plain, atol=0.05)


def test_profile_deviation_pure_wave_says_both_readings():
    """A regular wave may be a lobed design: the value says so, the interval holds the other reading."""
    outcome = profile_deviation(seen(1 + 0.07 * np.cos(5 * TURN), 150))
    assert outcome.high >= 0.07
    assert "wave" in outcome.note


def test_profile_deviation_reference_gives_the_nominal():
    """A shape that is neither round nor regular: unmeasured alone, measured against its own photo when new."""
    odd = 1 + 0.2 * np.cos(TURN * 2) + 0.15 * np.cos(3 * TURN + 1) + 0.12 * np.cos(4 * TURN)
    alone = profile_deviation(seen(odd, 120), frame=SQUARE_ON)
    assert isinstance(alone, Unmeasured)
    assert alone.reason is Reason.NO_NOMINAL
    cut = np.minimum(1.0, 0.8 / np.maximum(np.cos(TURN - 1), 1e-9))
    new, bad = seen(cut, 120), seen(cut - 0.08 * bump(3.5, 40), 120, Pose(shift=(0.8, 0.6)))
    assert profile_deviation(new, reference=new).value < 0.01
    assert profile_deviation(bad, reference=new).value == pytest.approx(0.08, abs=0.025)


def test_profile_deviation_coarse_picture_is_not_resolvable():
    assert profile_deviation(seen(np.ones(1440), 60)).reason is Reason.NOT_RESOLVABLE


def test_outline_wrong_input_raises():
    with pytest.raises(ValueError, match="H, W"):
        lines.outline(np.zeros((3, 3, 3), bool))


def test_outline_leaves_input_unchanged():
    soft = cv2.GaussianBlur(seen(np.ones(1440), 40).astype(np.float32), (0, 0), 2)
    before = soft.copy()
    lines.outline(soft)
    assert np.array_equal(soft, before)
