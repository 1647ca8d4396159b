"""Clipped pixels, mirrored lamps and grain, on figures whose answer is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from wearvision.measure.light import clipped_share, grain, grown, halved, inscribed_px, mirrored_spot

SIDE = 200


def _disc(radius: float, centre: tuple[int, int] = (100, 100)) -> np.ndarray:
    rows, columns = np.mgrid[:SIDE, :SIDE]
    return np.asarray(np.hypot(rows - centre[0], columns - centre[1]) <= radius)


def test_inscribed_circle_of_a_disc_a_bar_and_nothing() -> None:
    assert inscribed_px(_disc(40)) == pytest.approx(81, abs=1.5)
    bar = np.zeros((SIDE, SIDE), bool)
    bar[90:110, 20:180] = True
    assert inscribed_px(bar) == pytest.approx(20, abs=1)
    assert inscribed_px(np.zeros((SIDE, SIDE), bool)) == 0


def test_grown_reaches_as_far_as_asked() -> None:
    assert np.count_nonzero(grown(_disc(30), 10)) == pytest.approx(np.count_nonzero(_disc(40)), rel=0.03)
    assert not grown(np.zeros((SIDE, SIDE), bool), 10).any()


def test_clipped_share_counts_channels() -> None:
    image = np.full((10, 10, 3), 100, np.uint8)
    image[:5, :, 0] = 255
    image[:2] = 255
    everywhere = np.ones((10, 10), bool)
    assert [clipped_share(image, everywhere, channels=count) for count in (1, 2, 3)] == [0.5, 0.2, 0.2]
    assert clipped_share(image, ~everywhere, channels=1) == 0


def test_mirrored_spot_is_its_diameter_over_the_windows() -> None:
    image, window = np.full((SIDE, SIDE, 3), 120, np.uint8), _disc(80)
    assert mirrored_spot(image, window, outshines=5) == 0
    image[_disc(32)] = 255
    assert mirrored_spot(image, window, outshines=5) == pytest.approx(0.4, abs=0.02)


def test_lamp_that_is_not_clipped_is_known_by_outshining_everything() -> None:
    image, window = np.full((SIDE, SIDE, 3), 60, np.uint8), _disc(80)
    image[_disc(32)] = 225
    assert mirrored_spot(image, window, outshines=5) == pytest.approx(0.4, abs=0.02)
    image[:20] = 225  # white paper beside it: then it is a lit white
    assert mirrored_spot(image, window, outshines=5) == 0


def test_grain_is_the_noise_after_halving_whatever_slopes_under_it() -> None:
    slope = np.tile(np.linspace(60, 180, SIDE, dtype=np.float32), (SIDE, 1))
    noise = np.random.default_rng(0).normal(0, 12, (SIDE, SIDE)).astype(np.float32)
    everywhere = np.ones((SIDE, SIDE), bool)
    assert grain(*halved(slope, everywhere)) == [pytest.approx(0, abs=0.05)]
    # Four pixels in one: half the deviation.
    assert grain(*halved(slope + noise, everywhere)) == [pytest.approx(6, rel=0.2)]


def test_grain_needs_a_whole_patch_that_is_neither_black_nor_white() -> None:
    assert grain(*halved(np.full((SIDE, SIDE), 120, np.float32), _disc(4)), _disc(80)[::2, ::2]) == [
        None,
        pytest.approx(0, abs=1e-3),
    ]
    assert grain(*halved(np.full((SIDE, SIDE), 255, np.float32), _disc(80))) == [None]


def test_halved_keeps_brightness_and_place() -> None:
    grey = cv2.GaussianBlur(_disc(30).astype(np.float32) * 200, (0, 0), 2)
    half, region = halved(grey, _disc(30))
    assert half.shape == region.shape == (SIDE // 2, SIDE // 2)
    assert half.mean() == pytest.approx(grey.mean(), rel=1e-3)
    assert np.count_nonzero(region) == pytest.approx(np.count_nonzero(_disc(30)) / 4, rel=0.03)
