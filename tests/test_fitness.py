"""Faults of photos: a plain figure degraded in known steps, and the studio's photos with each fault and without."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from wearvision.errors import UnknownPart
from wearvision.fitness import FaultKind, FitnessLimits, assess, assess_frame, tilt_deg
from wearvision.measure.colour import srgb_decode, srgb_encode
from wearvision.measure.focus import edge_spread
from wearvision_training.example import Example
from wearvision_training.studio import draw, sample_recipe

SIDE = 480
Masks = dict[str, np.ndarray]


def _ellipse(centre: tuple[float, float], radius: float, tilt: float = 0.0) -> np.ndarray:
    mask = np.zeros((SIDE, SIDE), np.uint8)
    axes = (round(radius * 16), round(radius * 16 * np.cos(np.radians(tilt))))
    cv2.ellipse(mask, ((round(centre[1] * 16), round(centre[0] * 16))), axes, 30, 0, 360, 1, -1, cv2.LINE_8, 4)
    return mask > 0


def _cell(
    *,
    centre: tuple[float, float] = (240, 240),
    radius: float = 100,
    tilt: float = 0.0,
    clouded: bool = False,
    seed: int = 0,
) -> tuple[np.ndarray, Masks]:
    """A round housing with a patterned window on a grained bench, and its masks."""
    rng = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (SIDE, SIDE)).astype(np.float32), (0, 0), 1.2)
    image = np.clip(150 + 12 * grain, 0, 255)[..., None].repeat(3, axis=2)
    part, window = _ellipse(centre, 1.45 * radius, tilt), _ellipse(centre, radius, tilt)
    pattern = np.full((SIDE, SIDE, 3), (170, 105, 60), np.float32)
    for row in range(0, SIDE, 26):
        cv2.line(pattern, (0, row), (SIDE, row + 30), (215, 200, 180), 8)
    if clouded:
        pattern = np.full_like(pattern, 196)
    image[part] = (70, 72, 78)
    image[window] = pattern[window]
    image = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 0.6) + rng.normal(0, 1.5, image.shape)
    return np.clip(np.round(image), 0, 255).astype(np.uint8), {"part": part, "window": window}


def _rods(count: int = 1, *, thick: int = 60, top: int = 60, bottom: int = 520) -> tuple[np.ndarray, Masks]:
    """White insulators with a metal rod, from the side, on a dark bench; they run out at the bottom by default."""
    image, mask = np.full((SIDE, SIDE, 3), 90, np.uint8), np.zeros((SIDE, SIDE), np.uint8)
    for number in range(count):
        middle = SIDE * (number + 1) // (count + 1)
        for target, ceramic, metal in ((image, (205, 200, 190), (150, 150, 155)), (mask, 1, 1)):
            cv2.rectangle(target, (middle - thick // 8, top), (middle + thick // 8, bottom), metal, -1)
            cv2.rectangle(target, (middle - thick // 2, top + 70), (middle + thick // 2, bottom), ceramic, -1)
    noise = np.random.default_rng(0).normal(0, 1.5, image.shape)
    soft = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 0.6)
    return np.clip(soft + noise, 0, 255).astype(np.uint8), {"part": mask > 0}


def _grey(image: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32)


def _kinds(image: np.ndarray, masks: Masks, part: str = "flame_cell", view: str = "face") -> set[str]:
    return {str(fault.kind) for fault in assess(image, part, view, masks)}


def _blurred(image: np.ndarray, sigma: float) -> np.ndarray:
    return cv2.GaussianBlur(image, (0, 0), sigma) if sigma else image


def _shaken(image: np.ndarray, length: int, degrees: float) -> np.ndarray:
    kernel = np.zeros((2 * length + 1,) * 2, np.float32)
    step = np.asarray([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))]) * length / 2
    ends = [tuple(int(v) for v in np.round((length + 0.5 + sign * step) * 16 - 8)) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1.0, 1, cv2.LINE_AA, 4)
    return cv2.filter2D(image, -1, kernel / kernel.sum())


def _exposed(image: np.ndarray, stops: float) -> np.ndarray:
    return np.round(255 * srgb_encode(srgb_decode(image) * 2.0**stops)).astype(np.uint8)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("clouded", [False, True])
def test_good_photo_has_no_fault_even_of_a_clouded_window(seed: int, clouded: bool) -> None:
    image, masks = _cell(clouded=clouded, seed=seed)
    kept = image.copy()
    assert assess(image, "flame_cell", "face", masks) == ()
    np.testing.assert_array_equal(image, kept)


@pytest.mark.parametrize(
    ("sigma", "blurred"), [(0, False), (0.8, False), (1.2, False), (2.5, False), (5, True), (7, True)]
)
@pytest.mark.parametrize("clouded", [False, True])
def test_blur_is_a_fault_from_its_step(sigma: float, blurred: bool, clouded: bool) -> None:
    image, masks = _cell(clouded=clouded)
    assert _kinds(_blurred(image, sigma), masks) == ({"blurred"} if blurred else set())


def test_blur_value_rises_with_blur_and_is_its_sigma() -> None:
    image, _ = _cell()
    everywhere = np.ones((SIDE, SIDE), bool)
    steps = (1.0, 2.0, 3.0, 5.0, 7.0)
    spreads = [edge_spread(_grey(_blurred(image, sigma)), everywhere) for sigma in steps]
    values = [one.sigma_px for one in spreads if one]
    assert np.all(np.diff(values) > 0)
    np.testing.assert_allclose(values, np.hypot(steps, 0.6), rtol=0.35)


@pytest.mark.parametrize("degrees", [0, 35, 90, 140])
@pytest.mark.parametrize(("length", "shaken"), [(2, False), (14, True), (20, True)])
def test_shake_is_a_fault_from_its_step_with_its_direction(length: int, shaken: bool, degrees: float) -> None:
    image, masks = _cell(clouded=True)
    image = _shaken(image, length, degrees)
    assert _kinds(image, masks) == ({"motion_blurred"} if shaken else set())
    if shaken:
        spread = edge_spread(_grey(image), masks["part"] | _ellipse((240, 240), 152))
        assert spread is not None
        assert abs((spread.direction_deg - degrees + 90) % 180 - 90) < 12
        assert spread.motion_px == pytest.approx(length, rel=0.4)


@pytest.mark.parametrize(
    ("stops", "kind"),
    [
        *((stops, None) for stops in (-2, -1, 0, 0.5, 1)),
        *((stops, "too_dark") for stops in (-4.5, -6)),
        *((stops, "too_bright") for stops in (3, 4)),
    ],
)
def test_exposure_is_a_fault_from_its_stop(stops: float, kind: str | None) -> None:
    image, masks = _cell()
    assert _kinds(_exposed(image, stops), masks) & {"too_dark", "too_bright"} == ({kind} if kind else set())


def test_white_part_that_clips_on_a_well_lit_bench_is_fit() -> None:
    image, masks = _rods(2)
    white = masks["part"] & (np.arange(SIDE)[:, None] > 130)
    image[white] = 255
    assert "too_bright" in _kinds(image, masks, "electrode", "side")  # nearly all of it is blank
    image[240:400][masks["part"][240:400]] = (214, 208, 200)
    assert float(np.mean((image[masks["part"]] >= 250).all(axis=1))) > 0.4
    assert _kinds(image, masks, "electrode", "side") == set()


def test_coloured_part_that_clips_in_one_channel_is_too_bright_only_where_the_bench_clips_as_well() -> None:
    image, masks = _cell()
    red = image.copy()
    red[masks["part"], 0] = 255
    assert _kinds(red, masks) == set()
    red[~masks["part"]] = 255
    assert "too_bright" in _kinds(red, masks)


@pytest.mark.parametrize(("deviation", "noisy"), [(0, False), (10, False), (45, True), (60, True)])
def test_grain_is_a_fault_from_its_strength(deviation: float, noisy: bool) -> None:
    image, masks = _cell()
    grain = np.random.default_rng(3).normal(0, deviation, image.shape)
    grained = np.clip(image + cv2.GaussianBlur(grain, (0, 0), 0.7) * 1.6, 0, 255).astype(np.uint8)
    assert ("too_noisy" in _kinds(grained, masks)) == noisy


@pytest.mark.parametrize("where", ["bench", "part"])
def test_coarse_bench_or_crusted_part_is_no_grain(where: str) -> None:
    image, masks = _cell()
    rough = np.clip(image + np.random.default_rng(3).normal(0, 40, image.shape), 0, 255).astype(np.uint8)
    chosen = masks["part"] if where == "part" else ~masks["part"]
    assert "too_noisy" not in _kinds(np.where(chosen[..., None], rough, image), masks)


def test_black_part_on_a_lit_bench_and_fog_have_their_own_names() -> None:
    image, masks = _cell()
    image[masks["part"]] = 1
    assert "shadows_clipped" in _kinds(image, masks)
    image, masks = _cell()
    fog = np.round(170 + 0.08 * (image.astype(float) - 128)).astype(np.uint8)
    assert "low_contrast" in _kinds(fog, masks)


@pytest.mark.parametrize(("radius", "glare"), [(0, False), (8, False), (25, False), (34, True), (60, True)])
def test_glare_over_the_window_is_a_fault_from_its_size(radius: int, glare: bool) -> None:
    image, masks = _cell()
    if radius:
        cv2.circle(image, (250, 230), radius, (255, 255, 255), -1)
    found = [fault for fault in assess(image, "flame_cell", "face", masks) if fault.kind is FaultKind.GLARE]
    assert bool(found) == glare
    assert all(fault.value == pytest.approx(radius / 100, abs=0.03) for fault in found)


def test_clipped_white_traces_and_white_ring_are_no_glare() -> None:
    image, masks = _cell()
    for row in range(120, 380, 26):
        cv2.line(image, (140, row), (340, row + 12), (255, 255, 255), 10)
    cv2.circle(image, (240, 240), 92, (255, 255, 255), 14)
    image[~masks["window"]] = _cell()[0][~masks["window"]]
    assert _kinds(image, masks) == set()


def test_glare_beside_the_window_is_no_fault() -> None:
    image, masks = _cell()
    cv2.circle(image, (370, 240), 22, (255, 255, 255), -1)
    assert _kinds(image, masks) == set()


@pytest.mark.parametrize(
    ("centre", "cut"), [(240, False), (130, False), (101, False), (90, True), (50, True), (10, True)]
)
def test_window_cut_by_the_frame_is_a_fault(centre: int, cut: bool) -> None:
    image, masks = _cell(centre=(240, centre))
    assert ("cut_off" in _kinds(image, masks)) == cut


def test_cut_off_value_rises_with_the_share_cut() -> None:
    values = []
    for centre in (80, 50, 20, -10):
        image, masks = _cell(centre=(240, centre))
        found = assess(image, "flame_cell", "face", masks)
        values.append(next(fault.value for fault in found if fault.kind is FaultKind.CUT_OFF))
    assert values == sorted(values)


def test_electrode_may_leave_the_picture_at_one_end_a_coupler_may_not() -> None:
    image, masks = _rods()
    assert _kinds(image, masks, "electrode", "side") == set()
    assert "cut_off" in _kinds(image, masks, "coupler", "side")
    assert "cut_off" in _kinds(*_rods(top=-80), "electrode", "side")


@pytest.mark.parametrize(("radius", "small"), [(100, False), (34, False), (26, True), (15, True)])
def test_small_part_is_a_fault_from_its_size(radius: float, small: bool) -> None:
    assert ("too_small" in _kinds(*_cell(radius=radius))) == small


def test_thin_electrode_is_too_small() -> None:
    assert "too_small" in _kinds(*_rods(thick=16), "electrode", "side")


@pytest.mark.parametrize(("tilt", "tilted"), [(0, False), (20, False), (40, False), (48, True), (60, True)])
def test_tilt_is_a_fault_from_its_limit(tilt: float, tilted: bool) -> None:
    image, masks = _cell(tilt=tilt)
    assert ("too_tilted" in _kinds(image, masks)) == tilted
    if tilt >= 20:
        assert tilt_deg(masks["window"]) == pytest.approx(tilt, abs=1.5)


def test_two_cells_are_more_than_one_but_a_pair_of_electrodes_is_one() -> None:
    image, masks = _cell(centre=(120, 120), radius=60)
    other, more = _cell(centre=(350, 350), radius=60)
    both = np.where(more["part"][..., None], other, image)
    joined = {name: masks[name] | more[name] for name in masks}
    assert _kinds(both, joined) == {"more_than_one"}
    assert _kinds(*_rods(2), "electrode", "side") == set()


def test_part_not_found_is_too_small_with_value_zero() -> None:
    image, _ = _cell()
    (fault,) = assess(image, "flame_cell", "face", {})
    assert (fault.kind, fault.value) == (FaultKind.TOO_SMALL, 0.0)


def test_advice_is_one_sentence_and_the_dictionary_is_plain() -> None:
    image, masks = _cell(radius=20, tilt=60)
    for fault in assess(_exposed(_blurred(image, 6), -5), "flame_cell", "face", masks):
        assert fault.advice.endswith(".")
        assert fault.advice.count(". ") == 0
        assert fault.to_dict().keys() == {"kind", "value", "limit", "advice"}
        assert type(fault.to_dict()["kind"]) is str


def test_limits_decide() -> None:
    image, masks = _cell()
    assert assess(_blurred(image, 3), "flame_cell", "face", masks, limits=FitnessLimits(blur_px=5)) == ()


def test_whole_picture_faults_need_no_mask() -> None:
    image, _ = _cell()
    assert assess_frame(image) == ()
    assert {fault.kind for fault in assess_frame(_blurred(image, 8))} == {FaultKind.BLURRED}
    assert FaultKind.TOO_DARK in {fault.kind for fault in assess_frame(_exposed(image, -6))}
    assert FaultKind.TOO_BRIGHT in {fault.kind for fault in assess_frame(_exposed(image, 5))}
    flat = np.full((100, 100, 3), 128, np.uint8)
    assert {fault.kind for fault in assess_frame(flat)} == {FaultKind.LOW_CONTRAST}


def test_wrong_input_is_refused() -> None:
    image, masks = _cell()
    with pytest.raises(UnknownPart):
        assess(image, "kettle", "face", masks)
    with pytest.raises(ValueError, match="no view 'end'"):
        assess(image, "flame_cell", "end", masks)
    with pytest.raises(ValueError, match="expected window as bool"):
        assess(image, "flame_cell", "face", {"window": masks["window"][:10]})
    with pytest.raises(ValueError, match="expected an RGB image"):
        assess_frame(image[..., 0])


@cache
def _photo(fault: str | None, part: str, view: str, number: int) -> Example:
    rng = np.random.default_rng([number, len(part), len(view), len(fault or "")])
    return draw(sample_recipe(part, rng, view=view, fault=fault), 320)


ROUND = (("flame_cell", "face"), ("coupler", "end"))
VIEWS = (*ROUND, ("electrode", "side"), ("coupler", "side"))
FAULTY = [
    ("blurred", {"blurred", "motion_blurred"}, VIEWS), ("shaken", {"motion_blurred", "blurred"}, VIEWS),
    ("dark", {"too_dark"}, VIEWS), ("bright", {"too_bright"}, VIEWS), ("noisy", {"too_noisy"}, VIEWS),
    ("tilted", {"too_tilted"}, ROUND), ("small", {"too_small"}, VIEWS), ("cut_off", {"cut_off"}, VIEWS),
    ("glare", {"glare"}, ROUND[:1]),
]  # fmt: skip
"""Fault of the studio, the names that say it, the views in which it hides wear."""


@pytest.mark.parametrize(("fault", "names", "views"), FAULTY, ids=[row[0] for row in FAULTY])
def test_photo_with_a_plain_fault_is_named_for_it(fault: str, names: set[str], views: tuple[tuple[str, str]]) -> None:
    photos = [_photo(fault, *views[number % len(views)], number) for number in range(8)]
    found = [_kinds(photo.image, photo.masks, photo.part, photo.view) for photo in photos]
    assert sum(bool(kinds & names) for kinds in found) >= 7, found


@pytest.mark.parametrize(("part", "view"), VIEWS)
def test_photo_without_a_fault_is_fit(part: str, view: str) -> None:
    photos = [_photo(None, part, view, number) for number in range(8)]
    found = [_kinds(photo.image, photo.masks, photo.part, photo.view) for photo in photos]
    assert found == [set()] * 8
