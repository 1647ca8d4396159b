"""Circles and roundness against published and independently computed values."""

import numpy as np
import pytest

from wearvision.measure.circle import algebraic_circle, fit_circle, minimum_zone, roundness

CIR2D4 = [(624.68116, 326.52149), (625.68271, 324.58693), (627.82036, 324.21363), (629.44968, 325.62746),
          (629.39723, 327.79681), (627.63651, 329.08331), (625.56132, 328.49019)]
CIR2D25 = [(-13.93285, 6.62144), (-10.04374, 9.34289), (-5.3716, 8.5062), (-2.64147, 4.61692), (-3.37999, -0.12926),
           (-7.34141, -2.90926), (-12.11852, -2.06743), (-14.8844, 1.92115)]
CIR2D15 = [(-519.32209, 395.60295), (-526.76614, 396.43601), (-534.17019, 394.71013), (-540.18011, 389.92069),
           (-543.84505, 383.23483)]


@pytest.mark.parametrize(
    ("points", "centre", "radius", "ront"),
    [
        (CIR2D4, (627.17665443, 326.61667049), 2.49740728, 0.0465230),
        (CIR2D25, (-8.72150434, 3.19566257), 6.26942009, 0.0567918),
        (CIR2D15, (-525.63702408, 377.49784769), 19.11501513, 0.2395999),
    ],
)
def test_fit_circle_nist_reference_pairs(points, centre, radius, ront):
    """Source: NIST-L2-reference-pairs, 2-D circles 4, 25 and 15 (ASME B89.4.10-2000); RONt by exhaustive search."""
    points = np.array(points)
    circle = fit_circle(points)
    assert np.allclose(circle.centre, centre, atol=1e-6)
    assert circle.radius == pytest.approx(radius, abs=1e-6)
    assert roundness(points, circle).ront == pytest.approx(ront, abs=1e-6)


@pytest.mark.parametrize(
    ("points", "width", "centre"),
    [(CIR2D4, 0.0395951, (627.176710, 326.612240)), (CIR2D25, 0.0522825, (-8.718564, 3.189099))],
)
def test_minimum_zone_nist_points_exhaustive_search(points, width, centre):
    """Source: computed over all candidate circles of the NIST points (exact for so few)."""
    circle, found = minimum_zone(np.array(points))
    assert found == pytest.approx(width, abs=1e-6)
    assert np.allclose(circle.centre, centre, atol=1e-5)


def test_fit_circle_scipy_cookbook_closed():
    """Source: SciPy Cookbook, "Least Squares Circle", first data set."""
    points = np.array([[9, 35, -13, 10, 23, 0], [34, 10, 6, -14, 27, -10]], float).T
    circle, rough = fit_circle(points), algebraic_circle(points)
    assert np.allclose([*circle.centre, circle.radius], [10.50009, 9.65995, 23.33353], atol=1e-5)
    assert (circle.departures(points) ** 2).sum() == pytest.approx(7.711852, abs=1e-5)
    assert np.allclose(rough.centre, [10.55231, 9.70590], atol=1e-5)
    assert minimum_zone(points)[1] == pytest.approx(2.924592, abs=1e-5)


def test_fit_circle_scipy_cookbook_arc():
    """Source: SciPy Cookbook, "Least Squares Circle", second data set: the algebraic fit fails on an arc."""
    points = np.array([[36, 36, 19, 18, 33, 26], [14, 10, 28, 31, 18, 26]], float).T
    circle = fit_circle(points)
    assert np.allclose([*circle.centre, circle.radius], [9.8876, 3.6875, 27.3504], atol=1e-3)
    assert np.allclose(algebraic_circle(points).centre, [15.05503, 8.83615], atol=1e-3)


def test_fit_circle_gander_points():
    """Source: Gander, Golub, Strebel, BIT 34 (1994) 558-578 (from memory, recomputed)."""
    circle = fit_circle(np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], float))
    assert np.allclose([*circle.centre, circle.radius], [4.7398, 2.9835, 4.7142], atol=1e-4)


def test_roundness_square_points():
    """Corners and edge midpoints of a square of side 2; computed by hand: R = (1 + √2) / 2."""
    points = np.array([(1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1), (0, 1)], float)
    circle = fit_circle(points)
    assert circle.radius == pytest.approx(1.207107, abs=1e-6)
    assert roundness(points, circle).ront == pytest.approx(0.414214, abs=1e-6)
    assert minimum_zone(points)[1] == pytest.approx(0.414214, abs=1e-6)


def test_roundness_three_lobes_iso_names():
    """r = 10 + 0.5 cos 3t. RONt, RONp, RONv, RONq as ISO 12181-1:2011 names them (definitions from memory)."""
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    radii = 10 + 0.5 * np.cos(3 * turn)
    points = np.column_stack([4 + radii * np.cos(turn), radii * np.sin(turn) - 3])
    found = roundness(points, fit_circle(points))
    assert np.allclose([found.ront, found.ronp, found.ronv, found.ronq], [1.0, 0.5, 0.5, 0.353553], atol=1e-5)
    assert minimum_zone(points)[1] == pytest.approx(1.0, abs=1e-6)
