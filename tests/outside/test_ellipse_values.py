"""Ellipse fits and tilt against published values and scikit-image."""

import numpy as np
import pytest
from skimage.measure import EllipseModel

from wearvision.measure.ellipse import Ellipse, direct_ellipse, fit_ellipse

GANDER = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7), (6, 2), (8, 4)], float)


def test_fit_ellipse_gander_points():
    """Source: Gander, Golub, Strebel, BIT 34 (1994) 558-578 (from memory, recomputed)."""
    found = fit_ellipse(GANDER)
    assert np.allclose([*found.centre, found.major, found.minor], [2.6996, 3.8160, 6.5187, 3.0319], atol=1e-3)
    assert found.angle_rad == pytest.approx(0.3596, abs=1e-3)
    assert found.rms * np.sqrt(8) == pytest.approx(1.1719, abs=1e-3)


def test_direct_ellipse_gander_points():
    """Source: the direct fit of Halir and Flusser 1998, computed independently."""
    found = direct_ellipse(GANDER)
    assert np.allclose([*found.centre, found.major, found.minor], [5.0639, 5.0698, 3.7757, 2.6423], atol=1e-3)
    assert np.degrees(found.angle_rad) == pytest.approx(157.88, abs=0.01)


def test_direct_ellipse_scikit_image_example_and_model():
    """Source: scikit-image EllipseModel documentation: centre (10, 15), axes 8 and 4, 30 degrees."""
    points = Ellipse((10.0, 15.0), 8.0, 4.0, np.radians(30)).at(np.linspace(0, 2 * np.pi, 25))
    found = direct_ellipse(points)
    assert np.allclose([*found.centre, found.major, found.minor, found.angle_rad], [10, 15, 8, 4, 0.5236], atol=1e-4)
    noisy = points + 0.1 * np.random.default_rng(0).normal(size=points.shape)
    model = EllipseModel.from_estimate(noisy) if hasattr(EllipseModel, "from_estimate") else EllipseModel()
    if not hasattr(EllipseModel, "from_estimate"):
        model.estimate(noisy)
    mine = direct_ellipse(noisy)
    centre = model.center if hasattr(model, "center") else model.params[:2]
    axes = model.axis_lengths if hasattr(model, "axis_lengths") else model.params[2:4]
    assert np.allclose(mine.centre, centre, atol=1e-6)
    assert np.allclose(sorted((mine.minor, mine.major)), sorted(axes), atol=1e-6)


@pytest.mark.parametrize(("tilt", "ratio"), [(5, 0.9962), (10, 0.9848), (15, 0.9659), (20, 0.9397), (30, 0.8660)])
def test_tilt_of_axis_ratio(tilt, ratio):
    """Minor over major axis is the cosine of the tilt (far camera); computed."""
    assert Ellipse((0.0, 0.0), 1.0, ratio, 0.0).tilt_deg == pytest.approx(tilt, abs=0.06)
