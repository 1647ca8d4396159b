"""Cracks against computed reference values (handbook section 4) and scikit-image's ridge filters."""

from __future__ import annotations

import numpy as np
import pytest
from skimage import draw, filters, morphology

from wearvision.measure.cracks import crack_length, ridge_response
from wearvision.measure.regions import Points


def scores(predicted: Points, truth: Points, tolerance_px: float) -> tuple[float, float, float]:
    """Precision, recall and F1 where a pixel within the tolerance (Euclidean) of the other set counts.

    Source of the rule: practice in crack papers; the tolerance stands beside each number.
    """
    distance = np.hypot(*(predicted[:, None] - truth[None]).transpose(2, 0, 1))
    precision = float((distance.min(axis=1) <= tolerance_px).mean())
    recall = float((distance.min(axis=0) <= tolerance_px).mean())
    return precision, recall, 2 * precision * recall / (precision + recall) if precision + recall else 0.0


def row(y: int, stop: int) -> Points:
    return np.stack([np.full(stop, float(y)), np.arange(stop, dtype=float)], axis=1)


@pytest.mark.parametrize(("tolerance", "f1"), [(0, 0.0), (1, 0.0), (2, 1.0), (5, 1.0)])
def test_c4_1_line_two_pixels_off(tolerance, f1):
    """C4.1, computed."""
    assert scores(row(12, 100), row(10, 100), tolerance)[2] == f1


@pytest.mark.parametrize(
    ("tolerance", "recall", "f1"), [(0, 0.50, 0.6667), (1, 0.51, 0.6755), (2, 0.52, 0.6842), (5, 0.55, 0.7097)]
)
def test_c4_2_half_of_the_line(tolerance, recall, f1):
    """C4.2, computed."""
    found = scores(row(10, 50), row(10, 100), tolerance)
    assert found == pytest.approx((1.0, recall, f1), abs=5e-5)


@pytest.mark.parametrize(("kind", "scale", "height"), [("bar", 20.5, 0.48394), ("gauss", 28.284, 0.38490)])
def test_c4_3_ridge_answers_most_at_the_best_scale(kind, scale, height):
    """C4.3: a bar 41 px wide and a Gaussian line of spread 20 px, contrast 1; computed from the second derivative."""
    across = np.arange(401) - 200.0
    dark = (np.abs(across) <= 20).astype(float) if kind == "bar" else np.exp(-0.5 * (across / 20) ** 2)
    gray = np.tile(1 - dark, (401, 1))
    response = {factor: ridge_response(gray, (factor * scale,))[200, 200] for factor in (0.85, 1.0, 1.18)}
    assert response[1.0] == pytest.approx(height, rel=0.01)
    assert response[1.0] >= max(response.values()) - 1e-4


@pytest.mark.parametrize("degrees", [0, 5, 10, 15, 22.5, 30, 38, 45])
def test_c4_4_drawn_line_is_measured_within_3_percent(degrees):
    """C4.4: here drawn by scikit-image, one pixel wide; the raw chain of its skeleton fails near 22.5 degrees."""
    stop = np.round(20 + 200 * np.array([np.sin(np.radians(degrees)), np.cos(np.radians(degrees))])).astype(int)
    mask = np.zeros((240, 250), bool)
    mask[draw.line(20, 20, *stop)] = True
    true = float(np.hypot(*(stop - 20)))
    assert crack_length(mask).length_px == pytest.approx(true, rel=0.03)


def test_c4_4_chain_of_steps_fails_where_ours_does_not():
    """Sum of 1 and sqrt 2 along scikit-image's skeleton at 22.5 degrees: +8.2 % (cos a + (sqrt 2 - 1) sin a)."""
    mask = np.zeros((140, 250), bool)
    mask[draw.line(20, 20, 20 + 77, 20 + 185)] = True
    line = np.argwhere(morphology.skeletonize(mask))
    steps = np.abs(np.diff(line[np.argsort(line[:, 1])], axis=0)).sum(axis=1)
    chain = float(np.where(steps == 2, np.sqrt(2), 1).sum())
    true = float(np.hypot(77, 185))
    assert chain / true == pytest.approx(1.082, abs=0.005)
    assert crack_length(mask).length_px == pytest.approx(true, rel=0.02)


@pytest.mark.parametrize("name", ["sato", "meijering", "frangi"])
def test_ridge_agrees_with_scikit_image_on_a_drawn_line(name):
    """Reference: skimage.filters (Sato 1998, Meijering 2004, Frangi 1998), black ridges, one scale.

    On a slanted dark line both must be strongest on the same pixels.
    """
    gray = np.full((120, 120), 0.7)
    for off in (0, 1, 2):
        gray[draw.line(20, 15 + off, 100, 95 + off)] = 0.3
    gray += np.random.default_rng(0).normal(0, 0.02, gray.shape)
    ours = ridge_response(gray, (2.0,))[12:-12, 12:-12]
    theirs = getattr(filters, name)(gray, sigmas=[2.0], black_ridges=True)[12:-12, 12:-12]
    count = 160
    strongest = [set(np.argsort(r, axis=None)[-count:].tolist()) for r in (ours, theirs)]
    assert len(strongest[0] & strongest[1]) / count > 0.7


def test_ridge_height_equals_scikit_image_sato():
    """Sato's filter is the same normalised eigenvalue: equal on the line within its coarser derivative (5 %)."""
    gray = np.tile(1 - np.exp(-0.5 * ((np.arange(121) - 60) / 4.0) ** 2), (121, 1))
    ours = ridge_response(gray, (5.0,))[60, 60]
    assert ours == pytest.approx(filters.sato(gray, sigmas=[5.0], black_ridges=True)[60, 60], rel=0.05)
