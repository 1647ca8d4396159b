"""Shapes as masks: areas against exact ones, curves against the circles that they should be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.labels.drawn import LINE_PX, cover, mask, smooth_outline
from wearvision.labels.label import Shape
from wearvision.measure.cracks import crack_length


def circle(count: int, uneven: float = 0.0, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    turn = (np.arange(count) + uneven * rng.uniform(-1, 1, count)) * 2 * np.pi / count
    return np.column_stack([0.5 + 0.4 * np.cos(turn), 0.5 + 0.4 * np.sin(turn)])


def shape(kind: str, points: np.ndarray | list[tuple[float, float]], **more: object) -> Shape:
    return Shape(kind, tuple((float(x), float(y)) for x, y in points), **more)  # type: ignore[arg-type]


@settings(deadline=None)
@given(st.integers(12, 40), st.floats(0, 0.2), st.integers(0, 99))
def test_few_points_of_a_circle_give_the_circle(count: int, uneven: float, seed: int) -> None:
    course = smooth_outline(circle(count, uneven, seed) * 1000)
    reach = np.hypot(*(course - 500).T)
    assert np.abs(reach - 400).max() < 400 * 0.004, "a polygon of twelve points would be in by 400 * 0.034"


def test_corners_stay_and_edges_are_straight() -> None:
    square = np.array([[10.0, 10], [60, 10], [110, 10], [110, 110], [10, 110]])
    course = smooth_outline(square)
    inside = np.minimum(np.abs(course - 10), np.abs(course - 110)).min(axis=1)
    assert inside.max() < 1e-9


def test_an_edge_that_ends_in_a_fillet_stays_straight() -> None:
    turn = np.radians([-90, -45, 0])
    corner = np.column_stack([90 + 10 * np.cos(turn), 20 + 10 * np.sin(turn)])
    box = np.concatenate([[[0.0, 10.0]], corner, [[100.0, 200.0], [0.0, 200.0]]])
    course = smooth_outline(box)
    top = course[(course[:, 0] > 5) & (course[:, 0] < 85) & (course[:, 1] < 100)]
    assert np.abs(top[:, 1] - 10).max() < 0.5


@pytest.mark.parametrize("size", [(100, 200), (333, 250), (1200, 1600)])
def test_areas_come_out_right_at_any_size(size: tuple[int, int]) -> None:
    height, width = size
    box = cover([shape("polygon", [(0.1, 0.2), (0.6, 0.2), (0.6, 0.7), (0.1, 0.7)])], size)
    assert float(box.sum()) == pytest.approx(0.25 * height * width, rel=0.01)
    round_ = cover([shape("outline", circle(16))], size)
    assert float(round_.sum()) == pytest.approx(np.pi * 0.16 * height * width, rel=0.01)
    dot = cover([shape("brush", [(0.5, 0.5)], radius=0.1)], size)
    assert float(dot.sum()) == pytest.approx(np.pi * (0.1 * width) ** 2, rel=0.03)


def test_what_is_erased_is_gone_and_the_order_counts() -> None:
    box = shape("polygon", [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    hole = shape("polygon", [(0.25, 0.25), (0.75, 0.25), (0.75, 0.75), (0.25, 0.75)], erase=True)
    assert mask([box, hole], (80, 80)).sum() == pytest.approx(80 * 80 * 0.75, rel=0.03)
    assert mask([hole, box], (80, 80)).all()


@settings(deadline=None)
@given(st.floats(0, np.pi), st.floats(20, 150))
def test_a_line_is_as_long_as_it_was_drawn(turn: float, length: float) -> None:
    reach = length / 2 * np.array([np.cos(turn), np.sin(turn)]) / 200
    drawn = cover([shape("line", [tuple(0.5 - reach), tuple(0.5 + reach)])], (200, 200))
    found = crack_length(drawn)
    assert found.low_px <= length <= found.high_px
    assert float(drawn.sum()) == pytest.approx(LINE_PX * length, rel=0.25, abs=12)


def test_shapes_that_leave_the_picture_are_cut_off() -> None:
    drawn = cover([shape("brush", [(0.0, 0.0), (1.0, 1.0)], radius=0.3)], (50, 50))
    assert drawn.shape == (50, 50)
    assert drawn[0, 0] == drawn[-1, -1] == 1.0
    assert drawn[0, -1] == 0.0
