"""Circle fits and roundness on outlines of known form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.measure.circle import algebraic_circle, fit_circle, minimum_zone, roundness

TURN = np.linspace(0, 2 * np.pi, 60, endpoint=False)


def wavy(order=3, amount=0.5, radius=10.0, phase=0.4):
    radii = radius + amount * np.cos(order * TURN - phase)
    return np.column_stack([radii * np.cos(TURN), radii * np.sin(TURN)])


@given(st.floats(-500, 500), st.floats(-500, 500), st.floats(0.1, 50), st.floats(0, 6.28))
@settings(max_examples=25, deadline=None)
def test_fit_circle_moved_turned_scaled_follows(row, column, scale, angle):
    """A fit moves, turns and grows with its points."""
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    points = wavy(2, 0.7) + np.array([0.3, -0.2])
    before, after = fit_circle(points), fit_circle(scale * points @ turn.T + np.array([row, column]))
    assert after.radius == pytest.approx(scale * before.radius, rel=1e-8)
    assert np.allclose(after.centre, scale * turn @ before.centre + [row, column], atol=1e-6)


@given(st.integers(0, 10_000))
@settings(max_examples=15, deadline=None)
def test_minimum_zone_any_outline_is_no_wider_than_least_squares(seed):
    rng = np.random.default_rng(seed)
    radii = 10 + 0.2 * rng.normal(size=60)
    points = np.column_stack([radii * np.cos(TURN), radii * np.sin(TURN)])
    circle, width = minimum_zone(points)
    assert width <= roundness(points, fit_circle(points)).ront + 1e-12
    assert np.ptp(circle.departures(points)) == pytest.approx(width, abs=1e-9)


@pytest.mark.parametrize("order", [2, 3, 5])
def test_minimum_zone_random_search_finds_nothing_narrower(order):
    """Independent oracle: no centre tried near by gives a narrower zone."""
    points = wavy(order) + 0.05 * np.random.default_rng(order).normal(size=(60, 2))
    circle, width = minimum_zone(points)
    for row, column in np.random.default_rng(1).normal(size=(2000, 2)) * 0.1:
        reach = np.hypot(points[:, 0] - circle.centre[0] - row, points[:, 1] - circle.centre[1] - column)
        assert np.ptp(reach) >= width - 1e-9


def test_fit_circle_weights_leave_points_out():
    points = np.vstack([wavy(amount=0.0), [[30.0, 0.0]]])
    weights = np.append(np.ones(60), 0.0)
    assert fit_circle(points, weights).radius == pytest.approx(10.0)


@pytest.mark.parametrize("points", [np.zeros((2, 2)), np.zeros((5, 3)), np.full((4, 2), np.nan)])
def test_fit_circle_unfit_points_raise(points):
    with pytest.raises(ValueError, match="points"):
        fit_circle(points)


def test_algebraic_circle_points_on_a_line_raise():
    with pytest.raises(ValueError, match="one line"):
        algebraic_circle(np.column_stack([np.arange(5.0), np.arange(5.0)]))


def test_fit_circle_leaves_input_unchanged():
    points = wavy()
    before = points.copy()
    fit_circle(points)
    minimum_zone(points)
    assert np.array_equal(points, before)
