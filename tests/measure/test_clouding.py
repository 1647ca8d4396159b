"""Film and haze by drawing the layer equation over a window with a trace pattern."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from wearvision.measure.clouding import Layers, film_and_haze, window_evidence
from wearvision.measure.colour import srgb_encode
from wearvision.measure.result import Measured, Reason, Unmeasured

SIDE, RADIUS = 360, 110
GRID = [(0.0, 0.0), (0.3, 0.0), (0.0, 0.15), (0.0, 0.3), (0.0, 0.6), (0.15, 0.2), (0.3, 0.4), (0.5, 0.2), (0.1, 0.7)]
VEIL, SOOT = 0.7, 0.03


def _scene() -> np.ndarray:
    """Bench, housing and a clear window with a meander, linear RGB."""
    scene = np.full((SIDE, SIDE, 3), (0.35, 0.33, 0.30), np.float32)
    centre = (SIDE // 2, SIDE // 2)
    cv2.circle(scene, centre, int(1.45 * RADIUS), (0.22, 0.22, 0.24), -1, cv2.LINE_AA)
    element = np.full((SIDE, SIDE, 3), (0.42, 0.16, 0.06), np.float32)
    for number, row in enumerate(range(80, 290, 22)):
        left = 80 + 12 * (number % 2)
        cv2.line(element, (left, row), (left + 190, row + 4), (0.55, 0.5, 0.42), 7, cv2.LINE_AA)
    cv2.rectangle(element, (130, 100), (160, 190), (0.06, 0.05, 0.05), -1, cv2.LINE_AA)
    inside = _disc()[..., None]
    return np.where(inside, element, scene)


def _disc() -> np.ndarray:
    rows, cols = np.mgrid[:SIDE, :SIDE]
    return np.hypot(rows - SIDE // 2, cols - SIDE // 2) <= RADIUS


def _photo(
    film: float | np.ndarray = 0.0,
    haze: float | np.ndarray = 0.0,
    *,
    turn: float = 0.0,
    tilt: float = 0.0,
    size: float = 1.0,
    exposure: float = 1.2,
    deposit: float = SOOT,
    veil: float = VEIL,
    seed: int = 0,
) -> tuple[np.ndarray, np.ndarray]:
    """A photo of the window under film and haze, and its window mask."""
    scene, disc = _scene(), _disc()
    f, h = (np.broadcast_to(np.asarray(x, np.float32), disc.shape)[..., None] * disc[..., None] for x in (film, haze))
    seen = (1 - f) * ((1 - h) * scene + h * veil) + f * deposit
    spin = cv2.getRotationMatrix2D((SIDE / 2, SIDE / 2), turn, size)
    spin[0] *= np.cos(np.radians(tilt))
    spin[0, 2] += SIDE / 2 * (1 - np.cos(np.radians(tilt)))
    out = cv2.warpAffine(seen, spin, (SIDE, SIDE), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    mask = cv2.warpAffine(disc.astype(np.float32), spin, (SIDE, SIDE)) > 0.5
    code = 255 * srgb_encode(out * exposure) + np.random.default_rng(seed).normal(0, 1.5, out.shape)
    return np.clip(np.round(code), 0, 255).astype(np.uint8), mask


def _both(
    photo: tuple[np.ndarray, np.ndarray], new: tuple[np.ndarray, np.ndarray], **options: tuple[float, float]
) -> tuple[Measured, Measured]:
    found = film_and_haze(*photo, *new, layers=Layers(white=1.2, **options))
    film, haze = found["film_loss"], found["haze"]
    assert isinstance(film, Measured)
    assert isinstance(haze, Measured)
    return film, haze


def test_known_layers_are_found_within_three_hundredths() -> None:
    """Turned, tilted, smaller and exposed otherwise than the reference; beside the best constant answer."""
    new = _photo(seed=9)
    errors = []
    for number, (film, haze) in enumerate(GRID):
        pose = {"turn": 37 * number, "tilt": 4 * number, "size": 1 - 0.04 * number}
        photo = _photo(film, haze, **pose, exposure=0.7 + 0.06 * number, seed=number)
        found = _both(photo, new)
        errors.append([abs(found[0].value - film), abs(found[1].value - haze)])
        assert found[0].low <= film <= found[0].high
        assert found[1].low <= haze <= found[1].high
    mean = np.mean(errors, axis=0)
    truth = np.asarray(GRID)
    constant = np.abs(truth - np.median(truth, axis=0)).mean(axis=0)
    assert np.all(mean <= 0.03)
    assert np.all(mean < 0.25 * constant)


@pytest.mark.parametrize(("films", "hazes", "within"), [(1, 0, 0.03), (0, 1, 0.04), (1, 1, 0.1)])
def test_patchy_layers_are_found(films: int, hazes: int, within: float) -> None:
    """Film from one side, a veil in the middle; where both change within a fifth of the radius they trade a little."""
    rows, cols = np.mgrid[:SIDE, :SIDE] / SIDE
    film = films * 0.6 * np.clip(2 * rows - 0.6, 0, 1)
    haze = hazes * 0.7 * np.clip(1.6 - 6 * np.hypot(rows - 0.5, cols - 0.5), 0, 1)
    found = _both(_photo(film, haze, turn=80), _photo())
    for measure, truth in zip(found, (film[_disc()].mean(), haze[_disc()].mean()), strict=True):
        assert measure.value == pytest.approx(truth, abs=within)
        assert measure.low <= truth <= measure.high


@pytest.mark.parametrize("which", [0, 1])
def test_more_wear_reads_higher(which: int) -> None:
    levels = (0.0, 0.1, 0.25, 0.4, 0.55, 0.7)
    photos = [_photo(film=level) if which == 0 else _photo(haze=level) for level in levels]
    values = [_both(photo, _photo(seed=5))[which].value for photo in photos]
    assert np.all(np.diff(values) > 0.03)


def test_new_window_reads_clear_in_both() -> None:
    film, haze = _both(_photo(turn=200, seed=2), _photo())
    assert film.value < 0.03
    assert haze.value < 0.03


def test_exposure_does_not_change_the_answer() -> None:
    values = [[m.value for m in _both(_photo(0.2, 0.3, exposure=e), _photo())] for e in (0.7, 1.3)]
    np.testing.assert_allclose(values[0], values[1], atol=0.02)


def test_bright_dust_or_veil_leaves_both_readings_open() -> None:
    """Wear standard: S over 0.5·A and f at least 0.10; from (f, h) to (0, 1 - (1-f)(1-h))."""
    film, haze = _both(_photo(0.3, 0.0, deposit=0.6), _photo(), film=(0.3, 0.7))
    for measure, readings in ((film, (0.3, 0.0)), (haze, (0.0, 0.3))):
        assert measure.low <= min(readings)
        assert max(readings) <= measure.high
        assert "wiping" in measure.note


def test_glare_over_half_the_window_is_unmeasured() -> None:
    image, mask = _photo(0.1, 0.1)
    image[SIDE // 2 :] = 255
    found = film_and_haze(image, mask, *_photo())
    assert {type(m) for m in found.values()} == {Unmeasured}
    assert {m.reason for m in found.values()} == {Reason.GLARE}


def test_another_window_as_reference_is_refused() -> None:
    image, mask = _photo()
    other = image.copy()
    speckle = cv2.GaussianBlur(np.random.default_rng(4).normal(0, 1, image.shape[:2]), (0, 0), 5)
    other[mask] = np.clip(110 + 700 * speckle[mask], 0, 255).astype(np.uint8)[:, None]
    found = film_and_haze(image, mask, other, mask)
    assert {m.reason for m in found.values() if isinstance(m, Unmeasured)} == {Reason.NO_NOMINAL}


def test_plain_or_tiny_window_is_not_resolvable() -> None:
    image, mask = _photo()
    plain = np.full_like(image, 120)
    small = np.zeros_like(mask)
    small[100:130, 100:130] = True
    for found in (film_and_haze(plain, mask, plain, mask), film_and_haze(image, small, image, small)):
        assert {m.reason for m in found.values() if isinstance(m, Unmeasured)} == {Reason.NOT_RESOLVABLE}


def test_wrong_mask_is_refused_and_inputs_stay() -> None:
    image, mask = _photo()
    kept = image.copy(), mask.copy()
    film_and_haze(image, mask, image, mask)
    np.testing.assert_array_equal(image, kept[0])
    np.testing.assert_array_equal(mask, kept[1])
    with pytest.raises(ValueError, match="expected window as bool"):
        film_and_haze(image, mask.astype(np.uint8), image, mask)


def test_evidence_follows_the_veil() -> None:
    found = [window_evidence(*_photo(haze=level)) for level in (0.0, 0.3, 0.6)]
    assert all(one is not None for one in found)
    assert np.all(np.diff([one.black_level for one in found if one]) > 0)
    assert np.all(np.diff([one.michelson for one in found if one]) < 0)
    assert np.all(np.diff([one.transmission for one in found if one]) < 0)
    assert window_evidence(_photo()[0], np.zeros((SIDE, SIDE), bool)) is None
