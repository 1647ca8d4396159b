"""Colour against published values and scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2xyz

from wearvision.measure.colour import luminance, srgb_decode, srgb_encode


@pytest.mark.parametrize(("linear", "code"), [(0.18, 0.461356)])
def test_srgb_encode_of_mid_grey(linear: float, code: float) -> None:
    """0.18 gives 0.461356: read in a colour-science library's documentation."""
    assert float(srgb_encode(linear)) == pytest.approx(code, abs=1e-6)


@pytest.mark.parametrize(
    ("code", "linear"), [(128, 0.215861), (188, 0.502887), (10, 0.003035), (11, 0.003347)]
)
def test_srgb_decode_of_codes(code: int, linear: float) -> None:
    """IEC 61966-2-1 (value from memory), computed apart from this code; 10 and 11 lie on both sides of the knee."""
    assert float(srgb_decode(np.uint8(code))) == pytest.approx(linear, abs=1e-6)
    assert float(srgb_decode(code / 255)) == pytest.approx(linear, abs=1e-6)


def test_srgb_decode_of_half() -> None:
    """0.5 gives 0.214041 (computed from the standard's formula, handbook C10.1)."""
    assert float(srgb_decode(0.5)) == pytest.approx(0.214041, abs=1e-6)


def test_luminance_is_the_y_of_cie_xyz() -> None:
    """scikit-image's sRGB to XYZ (D65, 2 degrees) is independent of ours; its Y: 0.212671, 0.715160, 0.072169."""
    image = np.random.default_rng(3).integers(0, 256, (32, 32, 3), dtype=np.uint8)
    np.testing.assert_allclose(luminance(image), rgb2xyz(image)[..., 1], atol=1e-4)
