"""The card as written, read back, and found in pictures drawn from known cameras."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest

from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.measure.settings import spark_gap
from wearvision.scale_card import (
    CARD_MM,
    CORNER_RADIUS_MM,
    MARKER_MM,
    MARKERS_MM,
    PATCH_MM,
    PATCHES_MM,
    find_plain_card,
    find_scale,
    marker_bits,
    write_scale_card,
)

MARGIN_MM = 12.0  # bench shown left of and above the card
BENCH_MM = (150.0, 82.0)
GAP_AT_MM = (118.0, 27.0)  # beside the card, in card coordinates
ROD_MM = 2.4


def bench(px_per_mm: float, *, printed: bool = True) -> np.ndarray:
    """The card on a darker bench, grey uint8, straight from above; drawn here from the stated coordinates alone."""
    scale = px_per_mm
    height, width = (round(v * scale) for v in BENCH_MM[::-1])
    y, x = (np.mgrid[:height, :width] + 0.5) / scale - MARGIN_MM
    inner = [np.abs(v - size / 2) - (size / 2 - CORNER_RADIUS_MM) for v, size in ((x, CARD_MM[0]), (y, CARD_MM[1]))]
    outside = np.hypot(np.maximum(inner[0], 0), np.maximum(inner[1], 0)) + np.minimum(np.maximum(*inner), 0)
    image = np.where(outside <= CORNER_RADIUS_MM, 235, 95).astype(np.uint8)
    if not printed:
        return image
    for marker, (left, top) in MARKERS_MM.items():
        column, row = np.floor((x - left) / MARKER_MM * 7), np.floor((y - top) / MARKER_MM * 7)
        on = (column >= 0) & (column < 7) & (row >= 0) & (row < 7)
        bits = marker_bits(marker)
        image[on] = np.where(bits[row[on].astype(int), column[on].astype(int)], 235, 20)
    for code, (left, top) in PATCHES_MM.items():
        image[(x >= left) & (x < left + PATCH_MM[0]) & (y >= top) & (y < top + PATCH_MM[1])] = code
    return image


def rods(px_per_mm: float, gap_mm: float) -> list[np.ndarray]:
    """Two round-ended rods facing each other beside the card, one float mask each."""
    height, width = (round(v * px_per_mm) for v in BENCH_MM[::-1])
    y, x = (np.mgrid[:height, :width] + 0.5) / px_per_mm - MARGIN_MM
    masks = []
    for side in (-1, 1):
        centre = GAP_AT_MM[1] + side * (gap_mm + ROD_MM) / 2
        end = np.clip(y, centre, None) if side > 0 else np.clip(y, None, centre)
        masks.append((np.hypot(x - GAP_AT_MM[0], y - end) <= ROD_MM / 2).astype(np.float32))
    return masks


def camera(px_per_mm: float, tilt_deg: float, turn_deg: float, *, distance_mm: float = 260.0, lift_mm: float = 0.0):
    """Homography from the straight-down raster to a picture taken at a tilt; the picture's size and focal length."""
    focal = px_per_mm * distance_mm
    size = (round(focal / 0.722), round(focal / 0.722 * 0.75))
    a, b = np.radians(tilt_deg), np.radians(turn_deg)
    about = np.array([[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]])
    tilt = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    turned = about.T @ tilt @ about
    middle = np.array(BENCH_MM) / 2
    to_mm = np.array([[1 / px_per_mm, 0, -middle[0]], [0, 1 / px_per_mm, -middle[1]], [0, 0, 1]])
    shift = np.array([0, 0, distance_mm]) - lift_mm * turned[:, 2]
    lens = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    return lens @ np.column_stack([turned[:, 0], turned[:, 1], shift]) @ to_mm, size, focal


def photograph(image: np.ndarray, view, rng: np.random.Generator) -> np.ndarray:
    homography, size, _ = view
    seen = cv2.warpPerspective(image, homography, size, flags=cv2.INTER_AREA, borderValue=95)
    seen = cv2.GaussianBlur(seen, (0, 0), 0.8).astype(float) + rng.normal(0, 4, seen.shape)
    _, packed = cv2.imencode(".jpg", np.clip(seen, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85])
    return cv2.cvtColor(cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE), cv2.COLOR_GRAY2RGB)


def seen_rods(px_per_mm: float, gap_mm: float, view) -> list[np.ndarray]:
    homography, size, _ = view
    return [cv2.warpPerspective(m, homography, size, flags=cv2.INTER_AREA) >= 0.5 for m in rods(px_per_mm, gap_mm)]


@pytest.mark.parametrize(
    ("px_per_mm", "tilt", "turn", "gap"),
    [(8, 0, 0, 4.0), (8, 30, 20, 3.0), (8, 22, 100, 5.0), (10, 30, 65, 4.2), (8, 15, 0, 3.4)],
)
def test_spark_gap_beside_the_card_is_right_within_three_tenths_of_a_millimetre(px_per_mm, tilt, turn, gap):
    view = camera(px_per_mm, tilt, turn)
    photo = photograph(bench(px_per_mm), view, np.random.default_rng(tilt))
    scale = find_scale(photo)
    assert scale is not None
    first, second = seen_rods(px_per_mm, gap, view)
    outcome = spark_gap(first, second, scale)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(gap, abs=0.3)
    assert outcome.low <= gap <= outcome.high
    assert scale.reprojection_px < 0.5


@pytest.mark.parametrize(("tilt", "turn"), [(0, 0), (10, 40), (20, 10), (30, 80)])
def test_tilt_and_distance_come_from_the_markers(tilt, turn):
    view = camera(6, tilt, turn)
    scale = find_scale(photograph(bench(6), view, np.random.default_rng(0)), focal_px=view[2])
    assert scale is not None
    # Near zero the angle hangs on the root of a rounding error.
    assert scale.tilt_deg == pytest.approx(tilt, abs=3.0 if tilt < 5 else 1.5)
    assert scale.distance_mm == pytest.approx(260, rel=0.12)


@pytest.mark.parametrize(("tilt", "turn"), [(0, 0), (12, 30), (25, 60)])
def test_a_plain_card_gives_the_same_millimetres(tilt, turn):
    view = camera(8, tilt, turn)
    scale = find_plain_card(photograph(bench(8, printed=False), view, np.random.default_rng(1)))
    assert scale is not None
    outcome = spark_gap(*seen_rods(8, 4.0, view), scale)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(4.0, abs=0.3)


def test_a_rectangle_of_other_shape_is_no_card():
    image = np.full((600, 800), 90, np.uint8)
    cv2.rectangle(image, (150, 150), (620, 520), 230, -1)
    assert find_plain_card(image) is None


def test_a_sharp_cornered_rectangle_of_card_shape_is_no_card():
    image = np.full((600, 800), 90, np.uint8)
    cv2.rectangle(image, (100, 100), (100 + 630, 100 + 397), 230, -1)
    assert find_plain_card(image) is None


def test_no_card_is_none():
    noise = np.random.default_rng(0).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    assert find_scale(noise) is None
    assert find_plain_card(noise) is None


def test_two_covered_markers_still_leave_a_scale():
    view = camera(8, 15, 30)
    card = bench(8)
    for marker in (20, 22):
        x, y = (round((v + MARGIN_MM) * 8) for v in MARKERS_MM[marker])
        card[y : y + 60, x : x + 60] = 120
    scale = find_scale(photograph(card, view, np.random.default_rng(2)))
    assert scale is not None
    outcome = spark_gap(*seen_rods(8, 4.0, view), scale)
    assert isinstance(outcome, Measured)
    assert outcome.value == pytest.approx(4.0, abs=0.3)


@pytest.mark.parametrize("tilt", [0, 20])
def test_height_over_the_card_is_corrected_where_told_and_said(tilt):
    flat, raised = camera(8, tilt, 30), camera(8, tilt, 30, lift_mm=20)
    scale = find_scale(photograph(bench(8), flat, np.random.default_rng(3)), focal_px=flat[2])
    masks = seen_rods(8, 4.0, raised)
    told, untold = spark_gap(*masks, scale, height_mm=20.0), spark_gap(*masks, scale)
    assert isinstance(told, Measured)
    assert isinstance(untold, Measured)
    assert told.value == pytest.approx(4.0, abs=0.15)
    assert "20 mm" in told.note
    assert abs(untold.value - 4.0) > abs(told.value - 4.0)


def test_a_height_that_leaves_too_much_doubt_is_refused():
    scale = find_scale(photograph(bench(8), camera(8, 0, 0), np.random.default_rng(4)))
    outcome = spark_gap(*seen_rods(8, 5.0, camera(8, 0, 0)), scale, height_mm=150.0)
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is Reason.NOT_RESOLVABLE
    assert "level" in outcome.note


def test_image_of_wrong_kind_is_refused():
    with pytest.raises(ValueError, match="uint8"):
        find_scale(np.zeros((5, 5, 3), np.float32))


def test_marker_the_card_lacks_is_refused():
    with pytest.raises(ValueError, match="not 3"):
        marker_bits(3)


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("card") / "card.pdf"
    write_scale_card(path)
    return path


def test_pdf_has_one_page_of_a4_and_says_how_to_print(written):
    reader = pypdf.PdfReader(written)
    page = reader.pages[0]
    text = page.extract_text()
    assert len(reader.pages) == 1
    assert [float(v) * 25.4 / 72 for v in page.mediabox[2:]] == pytest.approx([210, 297], abs=0.1)
    assert "100 %" in text
    assert "50 mm" in text
    assert "20 to 23" in text


def test_pdf_boxes_lie_where_the_card_says(written):
    """Marker squares and patches read from the page's own drawing commands, in millimetres."""
    content = pypdf.PdfReader(written).pages[0].get_contents().get_data().decode("latin-1")
    boxes = np.array(re.findall(r"(?:n )?(-?[\d.]+) (-?[\d.]+) (-?[\d.]+) (-?[\d.]+) re", content), float) * 25.4 / 72
    for x, y in MARKERS_MM.values():
        expected = (x, -(y + MARKER_MM), MARKER_MM, MARKER_MM)
        assert np.abs(boxes - expected).max(axis=1).min() < 0.01
    for x, y in PATCHES_MM.values():
        assert np.abs(boxes - (x, -(y + PATCH_MM[1]), *PATCH_MM)).max(axis=1).min() < 0.01


def test_markers_as_drawn_in_the_pdf_are_read_at_true_size(written):
    """The page's filled boxes painted here, 10 px a millimetre, in the order of its drawing commands."""
    content = pypdf.PdfReader(written).pages[0].get_contents().get_data().decode("latin-1")
    page, grey = np.full((800, 1100), 255, np.uint8), 0.0
    for level, box in re.findall(r"([\d.]+) g\b|((?:-?[\d.]+ ){4})re f", content):
        if level:
            grey = float(level)
            continue
        x, y, width, height = (np.array(box.split(), float) * 25.4 / 72 * 10).tolist()
        left, top = 100 + x, 100 - y - height
        page[round(top) : round(top + height), round(left) : round(left + width)] = round(255 * grey)
    scale = find_scale(page)
    assert scale is not None
    assert scale.px_per_mm_at((350, 500)) == pytest.approx(10.0, rel=0.003)
    assert scale.to_mm(np.array([[99.5, 99.5]]))[0] == pytest.approx((0, 0), abs=0.1)


def test_pdf_is_the_same_each_time(written, tmp_path):
    write_scale_card(tmp_path / "again.pdf")
    assert (tmp_path / "again.pdf").read_bytes() == written.read_bytes()


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm is not installed")
def test_printed_page_is_found_at_true_size(written, tmp_path):
    subprocess.run(["pdftoppm", "-r", "254", "-gray", str(written), str(tmp_path / "page")], check=True)
    page = cv2.imread(str(next(tmp_path.glob("page*.pgm"))), cv2.IMREAD_GRAYSCALE)
    scale = find_scale(page)
    assert scale is not None
    assert scale.px_per_mm_at((500, 1000)) == pytest.approx(10.0, rel=0.003)
