from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import morphology

from wearvision.measure.thinning import thin


def blobs(seed: int, scale: float) -> np.ndarray:
    noise = np.random.default_rng(seed).random((70, 90)).astype(np.float32)
    return cv2.GaussianBlur(noise, (0, 0), scale) > 0.5


@pytest.mark.parametrize("seed", range(8))
def test_thin_equals_the_reference_implementation(seed):
    mask = blobs(seed, 1 + seed / 3)
    assert np.array_equal(thin(mask), morphology.thin(mask))


def test_thin_of_wide_bar_is_one_pixel_wide_and_in_its_middle():
    mask = np.zeros((21, 80), bool)
    mask[6:15, 5:75] = True
    line = thin(mask)
    columns = np.flatnonzero(line[:, 15:65].any(axis=0))
    assert columns.size == 50
    assert np.array_equal(np.unique(np.argwhere(line[:, 15:65])[:, 0]), [10])


@pytest.mark.parametrize("value", [False, True])
def test_thin_of_uniform_mask(value):
    mask = np.full((12, 12), value)
    assert np.array_equal(thin(mask), morphology.thin(mask))


def test_thin_keeps_its_input_and_takes_probabilities_at_half_level():
    weights = np.where(blobs(3, 2), 0.6, 0.4)
    before = weights.copy()
    assert np.array_equal(thin(weights), thin(weights >= 0.5))
    assert np.array_equal(weights, before)


@pytest.mark.parametrize("wrong", [np.zeros((3, 3, 3), bool), np.zeros((3, 3), np.int32)])
def test_thin_of_wrong_input_raises(wrong):
    with pytest.raises(ValueError, match="a region is"):
        thin(wrong)
