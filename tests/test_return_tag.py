"""The return tag as written, and read in pictures drawn from known cameras. `-m bench -s` prints the reading rates."""

from __future__ import annotations

import io
import shutil
import subprocess
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from wearvision.errors import ReturnTagError
from wearvision.examine import Examination
from wearvision.look import Look
from wearvision.measure.colour import srgb_decode, srgb_encode
from wearvision.network import Window
from wearvision.parts import PARTS
from wearvision.photo import read_photo
from wearvision.return_tag import LEAST_CODE_PX, ReturnTag, find_tag_scale, read_return_tag, read_return_tags
from wearvision.return_tag_cover import without_tags
from wearvision.return_tag_print import (
    MARKERS_MM,
    PATCHES_MM,
    TAG_MM,
    draw_return_tag,
    draw_return_tags,
    marker_bits,
    qr_modules,
)
from wearvision.scale_card import MARKERS_MM as CARD_MARKERS_MM
from wearvision.setting_lines import settings_of
from wearvision.sighting import Sighting

from .tag_scenes import INK, NUMBER, OTHER, PAPER, View, developed, laid, packed, painted, photograph

SAMPLES = Path(__file__).parent.parent / "sample_images"


def read(view: View, **how) -> ReturnTag:
    tag = read_return_tag(photograph(view, **how))
    assert tag is not None
    return tag


def test_page_says_number_and_how_to_print():
    reader = pypdf.PdfReader(io.BytesIO(draw_return_tag(NUMBER)))
    (page,) = reader.pages
    text = page.extract_text()
    assert [float(v) * 25.4 / 72 for v in page.mediabox[2:]] == pytest.approx([210, 297], abs=0.1)
    assert text.count(NUMBER) == 1
    assert "Print at 100 %" in text
    assert "50 mm" in text
    assert "kept at" in text


def test_many_numbers_lie_eight_a_page_and_the_file_is_the_same_each_time():
    reader = pypdf.PdfReader(io.BytesIO(draw_return_tags([NUMBER] * 8 + [OTHER])))
    assert [page.extract_text().count(NUMBER) for page in reader.pages] == [8, 0]
    assert OTHER in reader.pages[1].extract_text()
    assert draw_return_tag(NUMBER, copies=2) == draw_return_tags([NUMBER, NUMBER])


@pytest.mark.parametrize("number", ["", "26-00042-34", "HTTP://X", "26-00042", "(" * 500])
def test_what_is_no_return_number_is_not_drawn(number: str):
    with pytest.raises(ReturnTagError, match="no return number"):
        draw_return_tag(number)


def test_nothing_to_draw_is_refused():
    with pytest.raises(ReturnTagError, match="no number"):
        draw_return_tags([])
    with pytest.raises(ValueError, match="0"):
        draw_return_tag(NUMBER, copies=0)


def test_markers_are_the_tags_own():
    assert not set(MARKERS_MM) & set(CARD_MARKERS_MM)
    assert marker_bits(30).shape == (7, 7)
    with pytest.raises(ValueError, match="not 20"):
        marker_bits(20)


def test_grey_patches_are_equal_steps_of_lightness():
    """CIE L* 25, 40, 55, 70, 85 by CIE 15 (value from memory), within what whole codes allow."""
    light = srgb_decode(np.array(sorted(PATCHES_MM)) / 255)
    lightness = np.where(light > (6 / 29) ** 3, 116 * np.cbrt(light) - 16, light * (29 / 3) ** 3)
    assert lightness == pytest.approx([25, 40, 55, 70, 85], abs=0.25)


def test_code_holds_the_number_and_nothing_else():
    """Read by OpenCV's own search, straight from the squares that reportlab encoded."""
    squares = np.pad(~qr_modules(NUMBER), 4, constant_values=True)
    picture = np.kron(squares, np.full((6, 6), 255)).astype(np.uint8)
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert text == NUMBER


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm is not installed")
def test_printed_page_is_read_at_true_size(tmp_path):
    (tmp_path / "tag.pdf").write_bytes(draw_return_tag(NUMBER))
    subprocess.run(["pdftoppm", "-r", "254", "-gray", str(tmp_path / "tag.pdf"), str(tmp_path / "page")], check=True)
    tag = read_return_tag(cv2.imread(str(next(tmp_path.glob("page*.pgm"))), cv2.IMREAD_GRAYSCALE))
    assert tag is not None
    assert tag.number == NUMBER
    assert tag.px_per_mm == pytest.approx(10.0, rel=0.003)
    assert tag.grey is not None
    assert tag.grey.brightness == pytest.approx(1.0, abs=0.02)
    assert [patch.seen[0] for patch in tag.grey.patches] == pytest.approx(sorted(PATCHES_MM), abs=1.5)


@pytest.mark.parametrize("turn", range(0, 360, 45))
@pytest.mark.parametrize("tilt", [0, 20, 40])
def test_number_is_read_from_all_sides_at_the_least_size(tilt: int, turn: int):
    tag = read(View(LEAST_CODE_PX / np.cos(np.radians(tilt)), tilt, axis_deg=3 * turn + 10, turn_deg=turn), seed=turn)
    assert tag.number == NUMBER
    assert tag.notes == ()


@pytest.mark.parametrize(
    "harm",
    [
        {"quality": 30}, {"blur_px": 1.8}, {"shadow": 0.75}, {"hidden": (30,)}, {"hidden": (32, 33)},
        {"quality": 40, "blur_px": 1.2, "shadow": 0.5, "hidden": (31,)},
    ],
    ids=str,
)  # fmt: skip
def test_number_is_read_in_spite_of(harm: dict):
    tag = read(View(120, tilt_deg=25, axis_deg=70, turn_deg=20, **harm))
    assert tag.number == NUMBER
    assert tag.scale is not None
    assert tag.markers == 4 - len(harm.get("hidden", ()))


@pytest.mark.parametrize("turn", [10, 140, 250])
def test_soft_picture_is_sharpened_and_read(turn: int):
    tag = read(View(90, tilt_deg=15, axis_deg=40, turn_deg=turn, blur_px=1.6), seed=turn)
    assert tag.number == NUMBER
    assert tag.markers >= 2


def _true_px_per_mm(view: View) -> float:
    """Of the homography itself, by finite steps at the tag's middle; the smaller direction."""
    middle = np.array(TAG_MM) / 2
    step = 1e-3
    points = middle + step * np.array([(0, 0), (1, 0), (0, 1)])
    moved = np.column_stack([points, np.ones(3)]) @ view.homography.T
    moved = moved[:, :2] / moved[:, 2:]
    return float(np.linalg.svd((moved[1:] - moved[0]).T / step, compute_uv=False)[1])


def test_scale_and_tilt_come_out_with_an_interval_that_holds_the_truth():
    rng = np.random.default_rng(5)
    inside, relative, tilts = [], [], []
    for seed in range(24):
        hidden = ((), (31,), (30, 33))[seed % 3]
        view = View(
            rng.uniform(60, 200), rng.uniform(0, 45), rng.uniform(0, 360), rng.uniform(0, 360), rng.uniform(0.5, 1.2),
            hidden=hidden,
        )  # fmt: skip
        image = photograph(view, seed=seed)
        tag = read_return_tag(image, focal_px=view.focal_px)
        assert tag is not None
        if tag.scale is None:
            continue
        true = _true_px_per_mm(view)
        inside.append(tag.px_per_mm_low <= true <= tag.px_per_mm_high)
        relative.append(abs(tag.px_per_mm / true - 1))
        if len(hidden) < 2 and view.tilt_deg > 10:
            tilts.append(abs(tag.tilt_deg - view.tilt_deg))
    assert len(inside) >= 20
    assert np.mean(inside) >= 0.95
    assert np.median(relative) < 0.01
    assert np.median(tilts) < 3.0


def test_corners_are_those_of_the_tag():
    view = View(100, 20, 40, 100)
    tag = read(view)
    width, height = TAG_MM
    true = np.array([(0, 0, 1), (width, 0, 1), (width, height, 1), (0, height, 1)]) @ view.homography.T
    assert tag.corners == pytest.approx((true[:, :2] / true[:, 2:])[:, ::-1], abs=1.5)


def test_cast_and_brightness_come_back():
    """Light of a known colour, multiplied in; the gains undo it (green is the reference, handbook C10.4)."""
    view = View(150, tilt_deg=15)
    scene = laid(np.full((768, 1024, 3), 100, np.float32), view)
    lamp = np.array([0.9, 0.75, 0.45])
    lit = srgb_encode(srgb_decode(np.clip(scene, 0, 255) / 255) * lamp) * 255
    plain, cast = (read_return_tag(developed(picture, view)).grey for picture in (scene, lit))
    assert plain.gains == pytest.approx((1, 1, 1), abs=0.02)
    assert cast.gains == pytest.approx((0.75 / 0.9, 1, 0.75 / 0.45), rel=0.03)
    assert cast.brightness / plain.brightness == pytest.approx(0.75, rel=0.04)
    assert plain.clipped == cast.clipped == ()


def test_clipped_patches_and_a_shadow_are_said():
    view = View(150)
    scene = laid(np.full((768, 1024, 3), 100, np.float32), view)
    bright = read_return_tag(developed(np.minimum(scene * 1.7, 255), view))
    assert bright.grey.clipped == (171, 212)
    assert "2 of 5" in " ".join(bright.notes)
    even, shaded = (read(replace(view, shadow=shadow)).grey.falloff for shadow in (0.0, 0.6))
    assert even > 0.95
    assert shaded < 0.7


def test_two_tags_in_one_photo_are_both_named():
    left, right = View(80, 10, 30, 5, shift_px=(-240, 60)), View(70, 20, 80, 200, shift_px=(230, -80))
    scene = laid(np.full((768, 1024, 3), 100, np.float32), left, number=OTHER)
    image = photograph(right, scene=scene)
    assert {tag.number for tag in read_return_tags(image)} == {NUMBER, OTHER}
    tag = read_return_tag(image)
    assert {tag.number, *tag.others} == {NUMBER, OTHER}
    assert len(tag.others) == 1


def test_two_copies_of_one_tag_are_no_other_number():
    scene = laid(np.full((768, 1024, 3), 100, np.float32), View(80, shift_px=(-240, 60)))
    tag = read_return_tag(photograph(View(70, shift_px=(230, -80)), scene=scene))
    assert (tag.number, tag.others) == (NUMBER, ())


def test_covered_code_leaves_scale_and_says_so():
    view = View(120)
    scene = photograph(view)
    x, y = cv2.perspectiveTransform(np.array([[[31.6, 17.6]]]), view.homography)[0, 0]
    cv2.circle(scene, (round(x), round(y)), 45, (60, 60, 60), -1)
    tag = read_return_tag(scene)
    assert tag.number is None
    assert tag.px_per_mm == pytest.approx(_true_px_per_mm(view), rel=0.01)
    assert "Uncover" in " ".join(tag.notes)


def test_small_tag_with_an_unread_code_says_what_it_needs():
    view = View(46)
    image = photograph(view)
    x, y = cv2.perspectiveTransform(np.array([[[31.6, 17.6]]]), view.homography)[0, 0]
    cv2.circle(image, (round(x), round(y)), 18, (60, 60, 60), -1)
    tag = read_return_tag(image)
    assert tag.number is None
    assert f"46 pixels high in the picture, it needs {LEAST_CODE_PX}" in " ".join(tag.notes)
    assert tag.grey is None
    assert "too small" in " ".join(tag.notes)


def test_code_without_markers_still_names_the_part():
    tag = read(View(150, hidden=tuple(MARKERS_MM)))
    assert tag.number == NUMBER
    assert tag.scale is tag.px_per_mm is tag.grey is None
    assert tag.markers == 0
    assert tag.notes


def test_one_marker_gives_the_number_but_no_scale():
    tag = read(View(150, tilt_deg=10, hidden=(31, 32, 33)))
    assert (tag.number, tag.scale, tag.markers) == (NUMBER, None, 1)


@pytest.mark.parametrize("text", ["HTTPS://EXAMPLE.ORG/", "26-00042-34", "hello"])
def test_other_codes_are_no_tag(text: str):
    code = cv2.QRCodeEncoder.create().encode(text)
    picture = np.full((500, 700, 3), 255, np.uint8)
    big = cv2.resize(code, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST)
    picture[60 : 60 + len(big), 60 : 60 + len(big)] = big[..., None]
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == text
    assert read_return_tag(picture) is None


@pytest.mark.parametrize("wrong", ["26-00042-34", "26-00042-00", "26-00085-01", "26-00024-33", "00-00000-00"])
@pytest.mark.parametrize("hidden", [(), tuple(MARKERS_MM)])
def test_tag_whose_check_digits_do_not_fit_gives_no_number(monkeypatch, wrong: str, hidden: tuple[int, ...]):
    """A whole tag drawn past the check, with its markers and without: it is a tag, but nobody's."""
    monkeypatch.setattr("wearvision.return_tag_print._checked", lambda number: number)
    image = photograph(View(140, 10, hidden=hidden), number=wrong)
    assert cv2.QRCodeDetector().detectAndDecode(image)[0] == wrong, "the code itself can be read"
    tag = read_return_tag(image)
    assert tag is None if hidden else tag is not None
    assert not tag or tag.number is None
    assert all(one.number is None for one in read_return_tags(image))


def test_mirrored_tag_is_none():
    assert read_return_tag(photograph(View(120))[:, ::-1].copy()) is None


def test_tag_small_in_a_large_file_is_read_at_the_files_own_size():
    view = View(62, 15, 40, 30, size=(3000, 2250), shift_px=(500, 300))
    _, file = cv2.imencode(".jpg", cv2.cvtColor(photograph(view), cv2.COLOR_RGB2BGR))
    photo = read_photo(file.tobytes())
    assert read_return_tag(photo.image) is None or read_return_tag(photo.image).number is None
    tag = read_return_tag(photo)
    assert tag.number == NUMBER
    assert tag.px_per_mm == pytest.approx(_true_px_per_mm(view) * photo.scale, rel=0.02)
    true = view.homography @ (0, 0, 1)
    assert tag.corners[0] == pytest.approx((true[:2] / true[2])[::-1] * photo.scale, abs=1.5)


def test_report_is_plain():
    import json

    plain = json.loads(json.dumps(read(View(120)).to_dict(), allow_nan=False))
    assert plain["number"] == NUMBER
    assert plain["px_per_mm_low"] < plain["px_per_mm"] < plain["px_per_mm_high"]
    assert len(plain["corners"]) == 4
    assert [patch["code"] for patch in plain["grey"]["patches"]] == sorted(PATCHES_MM)
    assert json.loads(json.dumps(ReturnTag(None).to_dict()))["grey"] is None


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.one_of(
        arrays.arrays(np.uint8, arrays.array_shapes(min_dims=0, max_dims=4, min_side=0, max_side=40)),
        arrays.arrays(np.float32, arrays.array_shapes(min_dims=2, max_dims=3, max_side=8)),
        arrays.arrays(np.uint8, st.tuples(st.integers(1, 60), st.integers(1, 60), st.just(3))),
    )
)
def test_any_array_is_none_or_a_value_error(garbage: np.ndarray):
    picture = garbage.dtype == np.uint8 and (garbage.ndim == 2 or garbage.shape[2:] == (3,)) and garbage.size > 0
    for reader in (read_return_tag, find_tag_scale):
        if picture:
            assert reader(garbage) is None
        else:
            with pytest.raises(ValueError, match="a photo is uint8"):
                reader(garbage)


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_damaged_tags_never_give_a_wrong_number(data):
    """Rows and columns of a true photo replaced by noise: the number comes out right or not at all."""
    image = photograph(View(100, 15, 30, 20)).copy()
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    for _ in range(data.draw(st.integers(1, 12))):
        row, column = rng.integers(0, 700), rng.integers(0, 960)
        height, width = rng.integers(5, 120, 2)
        block = image[row : row + height, column : column + width]
        block[:] = rng.integers(0, 256, block.shape)
    tag = read_return_tag(image)
    assert tag is None or tag.number in (None, NUMBER)


# The tag and the grade


def beside(name: str, px_per_mm: float, turns: int) -> tuple[np.ndarray, np.ndarray]:
    """A sample photo with more bench at its right, and the same with a tag lying there."""
    image = read_photo(SAMPLES / f"{name}.jpg").image
    size = tuple(round(side * px_per_mm) for side in TAG_MM)
    tag = np.rot90(cv2.resize(painted(), size, interpolation=cv2.INTER_AREA), turns) / 255 * (PAPER - INK) + INK
    room = tag.shape[1] + 40
    bare = cv2.copyMakeBorder(image, 0, 0, 0, room, cv2.BORDER_REPLICATE)
    tagged = bare.copy()
    top, left = (image.shape[0] - tag.shape[0]) // 2, image.shape[1] + 20
    tagged[top : top + tag.shape[0], left : left + tag.shape[1]] = tag[..., None]
    return bare, packed(tagged, 95)


SEEN_BESIDE = (
    "flame_cell-face-replace-1",
    "flame_cell-face-serviceable-1",
    "electrode-side-clean-and-reuse-2",
    "coupler-side-clean-and-reuse-1",
    "coupler-end-clean-and-reuse-1",
    "not-a-part-1",
    "unfit-shaken",
)
NOT_THE_SAME = {
    ("coupler-side-clean-and-reuse-1", 0): "mixed-2 refuses the picture that has the bench drawn out and no tag",
    ("unfit-shaken", 0): "mixed-2: shaken is found without the tag only",
    ("unfit-shaken", 1): "mixed-2: shaken is found without the tag only",
}
"""Known to differ with the released model, of the fourteen that were tried."""


@pytest.mark.parametrize(
    ("name", "turns"),
    [
        pytest.param(name, turns, marks=pytest.mark.xfail(reason=NOT_THE_SAME[name, turns], strict=True))
        if (name, turns) in NOT_THE_SAME
        else (name, turns)
        for name in SEEN_BESIDE
        for turns in (0, 1)
    ],
)
def test_tag_beside_the_part_changes_neither_grade_nor_faults(grader, name: str, turns: int):
    bare, tagged = (grader.grade_image(image) for image in beside(name, 5.0, turns))
    assert tagged.part["name"] == bare.part["name"]
    assert tagged.usable == bare.usable
    assert [fault.kind for fault in tagged.faults] == [fault.kind for fault in bare.faults]
    assert (tagged.grade, tagged.possible_grades) == (bare.grade, bare.possible_grades)


def test_picture_without_a_tag_is_handed_on_as_it_is():
    image = read_photo(SAMPLES / "coupler-end-replace-1.jpg").image
    assert without_tags(image) is image


def test_clear_tag_is_laid_over_and_nothing_else():
    view = View(100, 20, 30, 40, shadow=0.4)
    image = photograph(view)
    laid_over = without_tags(image)
    assert laid_over is not image
    assert read_return_tag(laid_over) is None
    mask = cv2.warpPerspective(np.ones((55, 90), np.uint8), view.homography, view.size)
    away = cv2.dilate(mask, np.ones((25, 25), np.uint8)) == 0
    assert np.array_equal(laid_over[away], image[away])


@pytest.mark.parametrize("light", [50, 130, 185])
@pytest.mark.parametrize("at", [(0, 27), (45, 0), (90, 30), (45, 55), (68, 28), (16, 28), (31, 18), (70, 12), (82, 8)])
def test_tag_with_a_part_on_it_stays_in_the_picture(at: tuple[float, float], light: int):
    """A disc of 11 mm, smaller than any part graded here, on or over the edge of the tag."""
    view = View(100, 15, 30, 10)
    image = photograph(view)
    assert without_tags(image) is not image
    angles = np.linspace(0, 2 * np.pi, 60)
    disc = np.array(at) + 5.5 * np.column_stack([np.cos(angles), np.sin(angles)])
    cv2.fillPoly(image, [cv2.perspectiveTransform(disc[None], view.homography).astype(np.int32)], (light,) * 3)
    assert without_tags(image) is image


@pytest.mark.parametrize("gap_mm", [3.0, 4.5])
def test_tag_is_a_scale_for_the_spark_gap(gap_mm: float):
    """Two rods drawn in the tag's plane, above it; no scale card in the picture."""
    view = View(200, 20, 30, 5, size=(1600, 1200), shift_px=(0, 200))
    image = photograph(view)
    row, column = np.indices(image.shape[:2])
    on_tag = np.stack([column, row, np.ones_like(row)], axis=-1) @ np.linalg.inv(view.homography).T
    x, y = on_tag[..., 0] / on_tag[..., 2], on_tag[..., 1] / on_tag[..., 2]
    along = (x > 20) & (x < 60)
    masks = [along & (y > top) & (y < top + 4) for top in (-22.0, -18.0 + gap_mm)]
    rods = masks[0] | masks[1]
    look = Look(image, Window(0, 0, image.shape[1]), Sighting({}, 0, {}, {}, {}, {}), (slice(None), slice(None)))
    square = np.zeros((image.shape[1], image.shape[1]), bool)
    square[: len(rods)] = rods
    look = replace(look, square=np.zeros((*square.shape, 3), np.uint8))
    (line,) = settings_of(image, Examination(look, PARTS["electrode"], "side", {"rod": square}, {}, {}))
    assert line.name == "spark_gap"
    assert line.value == pytest.approx(gap_mm, abs=0.3)
    assert line.low <= gap_mm <= line.high


# How often it is read


def _rate(view: View, seeds: range) -> tuple[float, float]:
    """Share of numbers read, and of scales found."""
    tags = [read_return_tag(photograph(replace(view, axis_deg=77.0 * k, turn_deg=45.0 * k + 5), seed=k)) for k in seeds]
    return np.mean([bool(tag and tag.number == NUMBER) for tag in tags]), np.mean(
        [bool(tag and tag.scale) for tag in tags]
    )


@pytest.mark.bench
def test_reading_rate_by_size_and_tilt():
    """8 orientations each; the size is the code's side before tilt. Prints number read / scale found."""
    tilts = (0, 20, 30, 40, 50)
    harms = {
        "sharp, q 85": {}, "q 30": {"quality": 30}, "q 95, blur 1.5 px": {"quality": 95, "blur_px": 1.5},
        "shadow to a third": {"shadow": 0.67}, "one marker hidden": {"hidden": (31,)},
    }  # fmt: skip
    for name, harm in harms.items():
        print(f"\n{name}\n  code px  " + "".join(f"{tilt:>10}°" for tilt in tilts))
        for size in (30, 40, 60, 100, 200, *((400,) if not harm else ())):
            room = (1024, 768) if size < 250 else (2000, 1500)
            cells = [_rate(View(size, tilt, size=room, **harm), range(8)) for tilt in tilts]
            print(f"  {size:7d}  " + "".join(f"{number:6.2f}/{scale:.2f}" for number, scale in cells))


@pytest.mark.bench
def test_cost():
    """Processor time of one thread, median of 15."""
    cv2.setNumThreads(1)
    tagged, bare = photograph(View(100, 15, 30, 20)), read_photo(SAMPLES / "electrode-side-replace-1.jpg").image
    bare = cv2.resize(bare, (1024, 768))
    large = View(90, 15, 40, 30, size=(4000, 3000), shift_px=(500, 300))
    _, file = cv2.imencode(".jpg", cv2.cvtColor(photograph(large), cv2.COLOR_RGB2BGR))
    photo = read_photo(file.tobytes())
    jobs = {
        "reading, tag in the working picture": lambda: read_return_tag(tagged),
        "reading, working picture without a tag": lambda: read_return_tag(bare),
        "reading, 12 megapixels, second look": lambda: read_return_tag(photo),
        "laying over, tag in the picture": lambda: without_tags(tagged),
        "laying over, none in the picture": lambda: without_tags(bare),
    }
    for name, job in jobs.items():
        times = []
        for _ in range(15):
            start = time.process_time()
            job()
            times.append((time.process_time() - start) * 1e3)
        print(f"  {name:42} {np.median(times):7.1f} ms")
