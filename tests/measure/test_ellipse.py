"""Ellipse fits, tilt and its removal."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.measure.ellipse import Ellipse, direct_ellipse, fit_ellipse, rectifier, stretch

TURN = np.linspace(0, 2 * np.pi, 90, endpoint=False)


@given(st.floats(5, 200), st.floats(0.5, 0.98), st.floats(0, 3.1), st.floats(-300, 300))
@settings(max_examples=25, deadline=None)
def test_fit_ellipse_exact_points_come_back(major, ratio, angle, place):
    made = Ellipse((place, -place / 2), major, major * ratio, angle)
    for robust in (False, True):
        found = fit_ellipse(made.at(TURN), robust=robust)
        assert found.major == pytest.approx(major, rel=1e-5)
        assert found.minor == pytest.approx(major * ratio, rel=1e-5)
        assert np.cos(2 * (found.angle_rad - angle)) == pytest.approx(1.0, abs=1e-5)


def test_fit_ellipse_dented_robust_follows_the_rest():
    """A stretch of 40 degrees pressed in moves the plain fit, not the robust one."""
    points = Ellipse((50.0, 60.0), 40.0, 33.0, 0.7).at(TURN)
    points[10:20] = (points[10:20] - [50, 60]) * 0.9 + [50, 60]
    plain, robust = fit_ellipse(points), fit_ellipse(points, robust=True)
    assert robust.minor == pytest.approx(33.0, abs=0.05)
    assert robust.share < 0.95
    assert abs(plain.minor - 33.0) + abs(plain.major - 40.0) > 0.2


@pytest.mark.parametrize("tilt", [5, 15, 25, 35])
def test_rectifier_tilted_circle_is_round_again(tilt):
    ellipse = Ellipse((0.0, 0.0), 50.0, 50.0 * np.cos(np.radians(tilt)), 1.1)
    flat = ellipse.at(TURN) @ rectifier(ellipse).T
    assert np.allclose(np.hypot(*flat.T), 50.0)
    assert ellipse.tilt_deg == pytest.approx(tilt)


def test_stretch_keeps_the_axis_and_divides_across():
    assert np.allclose(stretch(0.5, 0.0) @ [3.0, 4.0], [3.0, 8.0])


@pytest.mark.parametrize("points", [np.zeros((4, 2)), np.zeros((9, 2)), np.column_stack([np.arange(9.0)] * 2)])
def test_direct_ellipse_unfit_points_raise(points):
    with pytest.raises(ValueError, match=r"point|ellipse"):
        direct_ellipse(points)
