"""Percentiles against NumPy's own."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from wearvision.measure.ranks import code_percentile, histogram, median, percentile

PCT = st.floats(0, 100)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50), PCT)
def test_percentile_is_numpys(values: list[float], pct: float) -> None:
    array = np.array(values)
    assert np.isclose(percentile(array, pct), np.percentile(array, pct), rtol=1e-9, atol=1e-6)
    assert np.isclose(median(array), np.median(array), rtol=1e-12, atol=1e-9)


@given(st.integers(0, 2**32 - 1), st.integers(1, 12), PCT)
def test_percentile_of_codes_is_that_of_the_pixels(seed: int, side: int, pct: float) -> None:
    rng = np.random.default_rng(seed)
    codes = rng.integers(0, 256, (side, side), np.uint8)
    region = rng.random((side, side)) < 0.5
    region[0, 0] = True
    counts = histogram(codes, region)
    assert counts.sum() == np.count_nonzero(region)
    assert np.isclose(code_percentile(counts, pct), np.percentile(codes[region], pct), rtol=1e-12, atol=1e-9)
