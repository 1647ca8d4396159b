"""Settings and scale against published sizes (handbook sections 5 and 10)."""

from __future__ import annotations

from fractions import Fraction

import cv2
import numpy as np
import pytest

from wearvision.markers import DICTIONARY
from wearvision.measure.plane_scale import fit_scale
from wearvision.measure.result import Measured
from wearvision.measure.settings import Chart, spark_gap, within
from wearvision.scale_card import CARD_MM, CORNER_RADIUS_MM, find_plain_card


def card_picture(px_per_mm: float, size: tuple[int, int], corner: tuple[int, int]) -> np.ndarray:
    """A light card with rounded corners, straight on, drawn by distance to its outline."""
    row, column = np.mgrid[: size[0], : size[1]].astype(float)
    half = np.array(CARD_MM) / 2
    x, y = (np.abs((v + 0.5 - c) / px_per_mm - h) for v, c, h in zip((column, row), corner[::-1], half, strict=True))
    off = np.hypot(np.maximum(x - half[0] + CORNER_RADIUS_MM, 0), np.maximum(y - half[1] + CORNER_RADIUS_MM, 0))
    inside = (off <= CORNER_RADIUS_MM) & (x <= half[0]) & (y <= half[1])
    return np.where(inside, 220, 70).astype(np.uint8)


@pytest.mark.parametrize(
    ("inch", "millimetres"), [("5/32", 3.969), ("1/8", 3.175), ("3/16", 4.762), ("7/16", 11.112), ("1/2", 12.700)]
)
def test_c5_1_gaps_of_a_trade_table_in_millimetres(inch, millimetres):
    """C5.1: 1 in = 25.4 mm exactly; a gap drawn to that size at 40 px/mm is measured to the drawing's pixel."""
    exact = float(Fraction(inch) * Fraction(254, 10))
    assert exact == pytest.approx(millimetres, abs=1e-3)
    first, second = np.zeros((900, 200), bool), np.zeros((900, 200), bool)
    first[100:140, 50:150] = True
    second[140 + round(exact * 40) :, 50:150] = True
    card = np.array([(0.0, 0.0), (85.6, 0.0), (85.6, 53.98), (0.0, 53.98)])
    scale = fit_scale(card, 40 * card, (900, 200), extent_mm=CARD_MM, source="test")
    outcome = spark_gap(first, second, scale)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(exact, abs=0.5 / 40 + 0.002)


@pytest.mark.parametrize(("gap", "inside"), [(3.2, True), (4.0, True), (4.8, True), (2.5, False), (6.0, False)])
def test_c5_2_gap_against_the_usual_range(gap, inside):
    """C5.2: 1/8 to 3/16 in, a parts supplier's table; an example only, the burner's own chart wins."""
    assert within(Measured(gap, gap, gap, unit="mm"), Chart(3.175, 4.8)) is inside


def test_c10_5_plain_card_of_856_px_gives_10_px_per_millimetre():
    """C10.5, computed: an ID-1 card (85.60 x 53.98 mm, ISO/IEC 7810) 856 px long; 32 px in its plane are 3.2 mm."""
    picture = card_picture(10.0, (900, 1300), (150, 120))
    scale = find_plain_card(picture)
    assert scale is not None
    assert scale.px_per_mm_at((420, 550)) == pytest.approx(10.0, rel=0.003)
    first, second = np.zeros(picture.shape, bool), np.zeros(picture.shape, bool)
    first[300:330, 1050:1200], second[362:390, 1050:1200] = True, True
    assert spark_gap(first, second, scale).value == pytest.approx(3.2, abs=0.03)


def test_c10_5_part_nearer_the_camera_looks_larger():
    """C10.5: sizes go with distance; at 300 mm, 15 mm nearer makes 300/285."""
    card = np.array([(0.0, 0.0), (85.6, 0.0), (85.6, 53.98), (0.0, 53.98)])
    scale = fit_scale(card, 100 + 10 * card, (1000, 1400), extent_mm=CARD_MM, source="test", focal_px=3000.0)
    assert scale.distance_mm == pytest.approx(300, rel=0.02)
    ratio = scale.lifted(15.0).px_per_mm_at((400, 500)) / scale.px_per_mm_at((400, 500))
    assert ratio == pytest.approx(300 / 285, rel=0.001)


def test_card_has_the_published_proportions():
    """ISO/IEC 7810 ID-1 as an encyclopedia gives it: ratio 1.58577, diagonal 101.199 mm, corners 2.88 to 3.48 mm."""
    assert CARD_MM[0] / CARD_MM[1] == pytest.approx(1.58577, abs=5e-6)
    assert np.hypot(*CARD_MM) == pytest.approx(101.199, abs=5e-4)
    assert 2.88 <= CORNER_RADIUS_MM <= 3.48


def test_aruco_bits_of_the_dictionary():
    """ArUco table: 5X5_100 id 0 (1 = white), computed with OpenCV 5.0; other versions must print the same card."""
    drawn = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(DICTIONARY), 0, 7)[1:-1, 1:-1] > 127
    assert ["".join("01"[int(b)] for b in line) for line in drawn] == ["10100", "01011", "01100", "10101", "11100"]
    small = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    bits = cv2.aruco.generateImageMarker(small, 0, 6)[1:-1, 1:-1] > 127
    assert ["".join("01"[int(b)] for b in line) for line in bits] == ["1011", "0101", "0011", "0010"]
