"""Distances in a raster: those of an independent exact transform, the same bytes wherever the arrays lie."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import distance_transform_edt

from wearvision_training.sketch.distance import depth_inside


def blob() -> np.ndarray:
    x, y = np.meshgrid(np.arange(333) - 150, np.arange(300) - 140)
    return np.asarray(np.hypot(x, y) < 120 + 9 * np.sin(5 * np.arctan2(y, x)))


def test_depth_is_that_of_an_independent_transform() -> None:
    made, mask = depth_inside(blob()), blob()
    assert made.dtype == np.float32
    assert np.array_equal(made, distance_transform_edt(mask).astype(np.float32))
    assert np.array_equal(made > 0, mask)


def test_depth_is_the_same_wherever_the_arrays_lie() -> None:
    rng, first = np.random.default_rng(0), depth_inside(blob())
    held = []
    for _ in range(25):
        held.append(rng.random(int(rng.integers(1, 60_000))))
        assert np.array_equal(depth_inside(blob()), first)
