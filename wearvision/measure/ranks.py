"""Percentiles without the general form's overhead, which small arrays feel; linear between two ranks."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

CODES = 256


def percentile(values: NDArray[Any], pct: float) -> float:
    """The percentile of one-dimensional values, NumPy's default (linear) way.

    Args:
        values: (N,) without NaN, N >= 1.
        pct: 0 to 100.
    Source: Hyndman, Fan 1996, definition 7.
    """
    at = pct / 100 * (values.size - 1)
    low = int(at)
    high = min(low + 1, values.size - 1)
    ranked = np.partition(values, (low, high))
    return float(ranked[low]) + (at - low) * (float(ranked[high]) - float(ranked[low]))


def median(values: NDArray[Any]) -> float:
    """The median of (N,) values without NaN, N >= 1."""
    return percentile(values, 50.0)


def histogram(codes: NDArray[np.uint8], region: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many pixels of a region have each code, (256,).

    Args:
        codes: (H, W).
        region: Bool (H, W).
    """
    counts = cv2.calcHist([codes], [0], region.view(np.uint8), [CODES], [0, CODES])
    return np.asarray(counts, np.int64).ravel()


def code_percentile(counts: NDArray[np.int64], pct: float) -> float:
    """:func:`percentile` of the codes in a histogram that is not empty."""
    reached = np.cumsum(counts)
    at = pct / 100 * (int(reached[-1]) - 1)
    low = int(at)
    here, after = np.searchsorted(reached, (low, min(low + 1, int(reached[-1]) - 1)), side="right").tolist()
    return float(here + (at - low) * (after - here))
