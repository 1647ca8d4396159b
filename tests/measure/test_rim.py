"""Rim deviation of drawn rims whose form is known exactly."""

import cv2
import numpy as np
import pytest

from wearvision.measure.circle import fit_circle
from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.measure.rim import rim_deviation, window_cue
from wearvision_training.figures import TURN, Pose, bump, notched, seen, unpolar

MEAN_ERROR = 0.008  # the bound for the mean absolute error over worn examples
HALF_PIXEL = 0.5  # all that a bool mask tells where an edge runs along the pixel rows

def truth(radii):
    points = unpolar(radii)
    circle = fit_circle(points)
    return float(np.abs(circle.departures(points)).max() / circle.radius)


def worn(kind, amount, rng):
    at = rng.uniform(0, 6)
    if kind == "dent":
        return 1 - amount * bump(at, rng.uniform(20, 60))
    if kind == "lobes":
        return 1 + amount * (bump(at, rng.uniform(30, 60)) - 0.6 * bump(at + 2, rng.uniform(30, 60)))
    order = 2 if kind == "oval" else rng.integers(3, 9)
    return 1 + amount * np.cos(order * TURN - at)


def drawn(kind, size, rng):
    radii = worn(kind, rng.uniform(0.03, 0.12), rng)
    pose = Pose.by_chance(rng)
    rim = seen(notched(radii, rng), size, pose)
    window = seen(np.full(1440, 0.7), size, pose, z=-rng.uniform(0, 0.15)) & rim
    return rim, window, truth(radii)


@pytest.mark.parametrize("size", [40, 80, 160])
def test_rim_deviation_worn_rims_mean_error_within_bound(size):
    """Tilts to 35 degrees, notches left out; better than the best constant answer by far."""
    rng = np.random.default_rng(size)
    cases = [drawn(kind, size, rng) for kind in ("dent", "lobes", "oval", "wave") for _ in range(10)]
    found = np.array([rim_deviation(rim, window, limit=0.0).value for rim, window, _ in cases])
    true = np.array([value for *_, value in cases])
    assert np.abs(found - true).mean() <= MEAN_ERROR
    assert np.abs(found - true).mean() < 0.5 * np.abs(true - np.median(true)).mean()


@pytest.mark.parametrize("size", [40, 80, 160])
@pytest.mark.parametrize("tilt", [0, 20, 35])
def test_rim_deviation_new_rim_is_no_alarm(size, tilt):
    pose = Pose(tilt, 0.8, 12.0)
    rim, window = seen(np.ones(1440), size, pose), seen(np.full(1440, 0.7), size, pose)
    outcome = rim_deviation(rim, window, limit=0.0)
    assert outcome.value < 0.02
    assert outcome.low == 0.0


def test_rim_deviation_oval_needs_the_window():
    """With the window an oval is measured; without it is not charged, but the interval holds it."""
    rim = seen(1 + 0.06 * np.cos(2 * TURN), 150)
    window = seen(np.full(1440, 0.7), 150)
    assert rim_deviation(rim, window).value == pytest.approx(0.06, abs=0.004)
    alone = rim_deviation(rim, limit=0.0)
    assert alone.value < 0.01
    assert alone.high >= 0.06


def test_rim_deviation_deeper_dent_measures_more():
    values = [rim_deviation(seen(1 - a * bump(1.0, 40), 120), seen(np.full(1440, 0.6), 120)).value
              for a in (0.02, 0.05, 0.08, 0.12)]
    assert np.all(np.diff(values) > 0.01)


@pytest.mark.parametrize("turn", [0.4, 1.3, 2.9])
def test_rim_deviation_turned_rim_measures_the_same(turn):
    window = seen(np.full(1440, 0.6), 120)
    one, two = (rim_deviation(seen(1 - 0.07 * bump(at, 40), 120), window).value for at in (0.0, turn))
    assert one == pytest.approx(two, abs=HALF_PIXEL / 120)


def test_rim_deviation_soft_mask_agrees_with_bool():
    rim, window = seen(1 - 0.08 * bump(2.0, 40), 110), seen(np.full(1440, 0.6), 110)
    soft = cv2.GaussianBlur(rim.astype(np.float32), (0, 0), 2.0)
    assert rim_deviation(soft, window).value == pytest.approx(rim_deviation(rim, window).value, abs=0.004)


def test_rim_deviation_coarse_picture_is_not_resolvable_unless_plain():
    window = seen(np.full(1440, 0.6), 50)
    new, bad = seen(np.ones(1440), 50), seen(1 - 0.2 * bump(1.0, 50), 50)
    assert rim_deviation(new, window) == Unmeasured(Reason.NOT_RESOLVABLE, rim_deviation(new, window).note)
    assert isinstance(rim_deviation(bad, window), Measured)


def test_rim_deviation_cut_off_or_empty_is_not_in_view():
    rim = seen(np.ones(1440), 100)
    assert rim_deviation(rim[:, 100:]).reason is Reason.NOT_IN_VIEW
    assert rim_deviation(np.zeros((50, 50), bool)).reason is Reason.NOT_IN_VIEW


def test_window_cue_ragged_window_is_refused():
    window = seen(0.7 + 0.08 * np.cos(5 * TURN), 100)
    assert window_cue(window) is None


@pytest.mark.parametrize(("region", "said"), [(np.zeros((4, 4, 3), bool), "H, W"), (np.full((9, 9), 2.0), "0 to 1"),
                                              (np.zeros((9, 9), np.uint8), "bool")])
def test_rim_deviation_wrong_input_raises(region, said):
    with pytest.raises(ValueError, match=said):
        rim_deviation(region)


def test_rim_deviation_leaves_input_unchanged():
    rim = seen(np.ones(1440), 60)
    before = rim.copy()
    rim_deviation(rim, rim)
    assert np.array_equal(rim, before)
