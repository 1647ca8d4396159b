"""Linear light and contrast: inverses, shapes, refusals. Published values stand in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.measure.colour import (
    dark_channel_transmission,
    luminance,
    michelson_contrast,
    rms_contrast,
    srgb_decode,
    srgb_encode,
    weber_contrast,
)


def test_decode_of_codes_and_of_floats_agree() -> None:
    codes = np.arange(256, dtype=np.uint8)
    np.testing.assert_allclose(srgb_decode(codes), srgb_decode(codes / 255), atol=1e-7)


@given(st.floats(0, 1))
def test_encode_undoes_decode(code: float) -> None:
    assert float(srgb_encode(srgb_decode(code))) == pytest.approx(code, abs=1e-5)


def test_decode_rises_with_the_code() -> None:
    assert np.all(np.diff(srgb_decode(np.arange(256, dtype=np.uint8))) > 0)


def test_luminance_of_grey_is_its_decoded_code_and_the_input_stays() -> None:
    image = np.full((4, 5, 3), 128, np.uint8)
    kept = image.copy()
    np.testing.assert_allclose(luminance(image), np.full((4, 5), 0.215861), atol=1e-6)
    np.testing.assert_array_equal(image, kept)


@pytest.mark.parametrize(
    "image", [np.zeros((4, 5), np.uint8), np.zeros((4, 5, 4), np.uint8), np.zeros((4, 5, 3), np.float32)]
)
def test_luminance_refuses_what_is_no_rgb_picture(image: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"expected an RGB image \(H, W, 3\) uint8, got shape"):
        luminance(image)


@given(st.floats(0.05, 0.5), st.floats(0.51, 1), st.floats(0.01, 0.99))
def test_veil_lowers_every_contrast_but_scales_the_difference_exactly(dark: float, bright: float, haze: float) -> None:
    airlight = 0.8
    veiled = [(1 - haze) * level + haze * airlight for level in (dark, bright)]
    assert veiled[1] - veiled[0] == pytest.approx((1 - haze) * (bright - dark))
    assert michelson_contrast(veiled[1], veiled[0]) < michelson_contrast(bright, dark)


def test_contrast_of_black_is_zero_and_of_no_background_refused() -> None:
    assert michelson_contrast(0.0, 0.0) == 0.0
    assert rms_contrast(np.zeros(5)) == 0.0
    with pytest.raises(ValueError, match="brighter than 0"):
        weber_contrast(0.5, 0.0)


def test_dark_channel_falls_as_the_veil_thickens() -> None:
    scene = np.random.default_rng(1).uniform(0, 1, (40, 40, 3))
    through = [
        dark_channel_transmission((1 - haze) * scene + haze * 0.8, 0.8).mean() for haze in (0.0, 0.2, 0.5, 0.8)
    ]
    assert through == sorted(through, reverse=True)
    with pytest.raises(ValueError, match="airlight"):
        dark_channel_transmission(scene, 0.0)
