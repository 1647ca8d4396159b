"""Outlines and fillets against exact geometry and SciPy."""

import numpy as np
import pytest
from scipy.spatial.distance import directed_hausdorff

from wearvision.measure.corners import corner_distance
from wearvision.measure.outline import outline


@pytest.mark.parametrize(
    ("sides", "fillet", "distance"),
    [(4, 0.75, 6.76041), (6, 0.75, 5.65748), (4, 1.5, 6.44975), (6, 1.5, 5.54145)],
)
def test_corner_distance_of_a_fillet(sides, fillet, distance):
    """Half width 5: a√2 - r(√2 - 1) and 2a/√3 - r(2/√3 - 1); computed from plane geometry."""
    assert corner_distance(5.0, fillet, sides) == pytest.approx(distance, abs=1e-5)


@pytest.mark.parametrize("radius", [20, 50, 100])
def test_outline_circularity_is_free_of_pixels(radius):
    """4πA/P² of a pixel disc: naive perimeters give 0.90, a half-level contour 0.89 (computed with scikit-image)."""
    rows, columns = np.mgrid[: 2 * radius + 9, : 2 * radius + 9]
    points = outline(np.hypot(rows - radius - 4, columns - radius - 4) <= radius)
    step = np.roll(points, -1, axis=0) - points
    area = 0.5 * abs(np.sum(points[:, 0] * np.roll(points[:, 1], -1) - points[:, 1] * np.roll(points[:, 0], -1)))
    assert 4 * np.pi * area / np.hypot(*step.T).sum() ** 2 == pytest.approx(1.0, abs=0.03)


def test_outline_of_ellipse_hausdorff_distance_by_scipy():
    """The outline of a drawn ellipse lies within half a pixel of the exact curve, both ways (scipy)."""
    rows, columns = np.mgrid[:160, :160]
    mask = ((rows - 80.3) / 60) ** 2 + ((columns - 79.6) / 45) ** 2 < 1
    turn = np.linspace(0, 2 * np.pi, 2000)
    exact = np.column_stack([80.3 + 60 * np.cos(turn), 79.6 + 45 * np.sin(turn)])
    points = outline(mask)
    assert max(directed_hausdorff(points, exact)[0], directed_hausdorff(exact, points)[0]) < 0.85
    assert directed_hausdorff(points, exact)[0] < 0.5
