"""Sub-pixel outlines, profiles, and the end's departure from its nominal outline."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.measure import outline as lines
from wearvision.measure.ellipse import stretch
from wearvision.measure.profile import Frame, profile_deviation
from wearvision.measure.result import Reason, Unmeasured

MEAN_ERROR = 0.008  # the bound for the mean absolute error over worn examples

TURN = np.arange(1440) * 2 * np.pi / 1440


def seen(radii, size, tilt_deg=0.0, towards=0.0, distance=1e6, shift=(0.3, 0.2), z=0.0):
    """Bool mask of an outline r(TURN) in units of ``size`` pixels, under a camera of that tilt and distance."""
    points = np.column_stack([radii * np.cos(TURN), radii * np.sin(TURN)])
    turn = np.array([[np.cos(towards), -np.sin(towards)], [np.sin(towards), np.cos(towards)]])
    flat, tilt = points @ turn, np.radians(tilt_deg)
    deep = flat[:, 1] * np.sin(tilt) + z * np.cos(tilt)
    flat = np.column_stack([flat[:, 0], flat[:, 1] * np.cos(tilt) - z * np.sin(tilt)])
    near = distance / (distance - deep)
    half = 1.35 * size + 8
    at = (flat * near[:, None]) @ turn.T * size + half + np.array(shift)
    fine = np.zeros((int(2 * half) * 4,) * 2, np.uint8)
    cv2.fillPoly(fine, [np.round(((at[:, ::-1] + 0.5) * 4 - 0.5) * 16).astype(np.int32)], 255, shift=4)
    return cv2.resize(fine, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) > 127


def bump(at, width_deg):
    """A Gaussian of that full width at half height."""
    away = (TURN - at + np.pi) % (2 * np.pi) - np.pi
    return np.exp(-0.5 * (away / (np.radians(width_deg) / 2.355)) ** 2)


def hexagon(fillet=0.15):
    """A regular hexagon of outer radius 1 with rounded corners."""
    apothem = np.cos(np.pi / 6)
    off = (TURN + np.pi / 6) % (np.pi / 3) - np.pi / 6
    centre = (apothem - fillet) / apothem
    corner = np.abs(off) > np.arctan((apothem - fillet) * np.tan(np.pi / 6) / apothem)
    away = np.pi / 6 - np.abs(off)
    arc = centre * np.cos(away) + np.sqrt(np.maximum(fillet**2 - (centre * np.sin(away)) ** 2, 0))
    return np.where(corner, arc, apothem / np.cos(off))


def ribbed(count=10, height=0.07):
    phase = np.abs((TURN * count / (2 * np.pi)) % 1 - 0.5)
    return 1 + height * np.clip(0.5 + (0.2 - phase) / 0.05, 0, 1)


SHAPES = {"round": np.ones(1440), "ribbed": ribbed(), "hex": hexagon()}


def tilted(size, rng):
    """A pose, and the frame that a socket would tell of it."""
    tilt, towards = rng.uniform(0, 35), rng.uniform(0, 6)
    pose = {"tilt_deg": tilt, "towards": towards, "distance": rng.uniform(10, 25), "shift": rng.uniform(0, 1, 2)}
    matrix = stretch(np.cos(np.radians(tilt)), towards)
    return pose, Frame(matrix, tilt, True, 0.3 / size)


def worn(shape, rng, amount):
    dents = bump(rng.uniform(0, 6), rng.uniform(20, 60))
    if rng.random() < 0.4:
        orders = rng.choice([3, 4, 5, 7, 8], 2, replace=False)
        dents = sum(np.cos(k * TURN - rng.uniform(0, 6)) * rng.uniform(0.5, 1) for k in orders)
    return SHAPES[shape] + rng.choice([-1, 1]) * amount * dents / np.abs(dents).max()


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


def test_profile_deviation_worn_ends_mean_error_within_bound():
    """Three sizes, round, ribbed and hexagonal ends, tilts to 35 degrees, the tilt known from the socket."""
    found, true = [], []
    for size in (40, 80, 160):
        rng = np.random.default_rng(size)
        for shape in np.repeat(list(SHAPES), 6):
            amount = rng.uniform(0.03, 0.12)
            pose, frame = tilted(size, rng)
            found.append(profile_deviation(seen(worn(shape, rng, amount), size, **pose), frame=frame, limit=0.0).value)
            true.append(amount)
    error = np.abs(np.array(found) - true).mean()
    assert error <= MEAN_ERROR
    assert error < 0.5 * np.abs(true - np.median(true)).mean()


@pytest.mark.parametrize("shape", list(SHAPES))
@pytest.mark.parametrize("size", [60, 150])
def test_profile_deviation_new_end_is_no_alarm(shape, size):
    outcome = profile_deviation(seen(SHAPES[shape], size, tilt_deg=22, towards=0.7, distance=14), limit=0.0)
    assert outcome.value < 0.015
    assert outcome.low < 0.005


def test_profile_deviation_deeper_dent_measures_more():
    values = [profile_deviation(seen(1 - a * bump(1.0, 40), 120)).value for a in (0.03, 0.06, 0.09, 0.12)]
    assert np.all(np.diff(values) > 0.015)


def test_profile_deviation_dent_counts_with_its_whole_depth():
    assert profile_deviation(seen(1 - 0.08 * bump(1.0, 35), 150)).value == pytest.approx(0.08, abs=0.006)


def test_profile_deviation_pure_wave_says_both_readings():
    """A regular wave may be a lobed design: the value says so, the interval holds the other reading."""
    outcome = profile_deviation(seen(1 + 0.07 * np.cos(5 * TURN), 150))
    assert outcome.high >= 0.07
    assert "wave" in outcome.note


def test_profile_deviation_reference_gives_the_nominal():
    """A shape that is neither round nor regular: unmeasured alone, measured against its own photo when new."""
    odd = 1 + 0.2 * np.cos(TURN * 2) + 0.15 * np.cos(3 * TURN + 1) + 0.12 * np.cos(4 * TURN)
    alone = profile_deviation(seen(odd, 120), frame=Frame(np.eye(2), 0.0, True))
    assert isinstance(alone, Unmeasured)
    assert alone.reason is Reason.NO_NOMINAL
    cut = np.minimum(1.0, 0.8 / np.maximum(np.cos(TURN - 1), 1e-9))
    new, bad = seen(cut, 120), seen(cut - 0.08 * bump(3.5, 40), 120, shift=(0.8, 0.6))
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
