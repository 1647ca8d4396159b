"""Contrast, veil and blur against the values of the formulas' sources (handbook C2.1 to C2.6)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.special import erf

from wearvision.measure.colour import (
    dark_channel_transmission,
    michelson_contrast,
    rms_contrast,
    srgb_encode,
    weber_contrast,
)
from wearvision.measure.focus import edge_spread

BRIGHT, DARK, VEIL = 0.6, 0.1, 0.8


@pytest.mark.parametrize(
    ("haze", "michelson", "weber"),
    [(0.0, 0.71429, -0.83333), (0.10, 0.56962, -0.72581), (0.30, 0.36082, -0.53030), (0.40, 0.28302, -0.44118)],
)
def test_contrasts_under_a_veil(haze: float, michelson: float, weber: float) -> None:
    """Michelson 1927 and Weber as an encyclopedic text on contrast gives them; numbers computed from them."""
    bright, dark = ((1 - haze) * level + haze * VEIL for level in (BRIGHT, DARK))
    assert michelson_contrast(bright, dark) == pytest.approx(michelson, abs=1e-5)
    assert weber_contrast(dark, bright) == pytest.approx(weber, abs=1e-5)


def test_veil_from_one_level_needs_linear_light() -> None:
    """h = (I - J) / (A - J) of the scattering model (He, Sun, Tang 2011) is 0.30; by sRGB codes it is not."""
    seen = 0.66
    assert (seen - BRIGHT) / (VEIL - BRIGHT) == pytest.approx(0.30)
    coded = [float(srgb_encode(level)) for level in (seen, BRIGHT, VEIL)]
    assert abs((coded[0] - coded[1]) / (coded[2] - coded[1]) - 0.30) > 0.01


@pytest.mark.parametrize(("omega", "through"), [(1.0, 0.5), (0.95, 0.525)])
def test_dark_channel_of_half_the_airlight(omega: float, through: float) -> None:
    """He, Sun, Tang 2011: t = 1 - omega · dark / A (omega 0.95 from memory)."""
    scene = np.full((20, 20, 3), (0.4, 0.6, 0.7))
    np.testing.assert_allclose(dark_channel_transmission(scene, 0.8, omega=omega), through, atol=1e-6)


def test_rms_contrast_of_four_levels() -> None:
    """Peli 1990 (value from memory): deviation 0.223607 over mean 0.5."""
    assert rms_contrast(np.asarray([0.2, 0.4, 0.6, 0.8])) == pytest.approx(0.447214, abs=1e-6)


@pytest.mark.parametrize("sigma", [0.8, 1.0, 1.5, 2.0, 3.0, 5.0])
def test_edge_spread_of_an_exact_blurred_step(sigma: float) -> None:
    """A step blurred by a Gaussian is an error function, its 10 to 90 % rise 2.5631 σ (computed); within 6 %."""
    rows, cols = np.mgrid[:160, :160].astype(np.float64)
    across = (cols - 80) * np.cos(0.1) + (rows - 80) * np.sin(0.1)
    step = (100 + 80 * erf(across / (sigma * np.sqrt(2)))).astype(np.float32)
    found = edge_spread(step, np.ones(step.shape, bool))
    assert found is not None
    assert found.sigma_px == pytest.approx(sigma, rel=0.06)


def test_edge_spread_agrees_with_a_profile_read_by_hand() -> None:
    """The 10 to 90 % rise along a row through a blurred disc's edge, read by interpolation."""
    disc = np.zeros((200, 200), np.float32)
    cv2.circle(disc, (100, 100), 60, 200.0, -1, cv2.LINE_AA)
    soft = cv2.GaussianBlur(disc, (0, 0), 2.0)
    profile = soft[100, 20:80].astype(float)
    rise = np.interp(180, profile, np.arange(60)) - np.interp(20, profile, np.arange(60))
    found = edge_spread(soft, np.ones(disc.shape, bool))
    assert found is not None
    assert 2.5631 * found.sigma_px == pytest.approx(rise, rel=0.08)
