"""The sketch engine against geometry and light that are known exactly."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from wearvision_training.recipe import Recipe
from wearvision_training.scenes.bench import KINDS as BENCHES
from wearvision_training.scenes.bench import sample_bench
from wearvision_training.scenes.camera import sample_pose, sample_sensor
from wearvision_training.scenes.light import kelvin_to_rgb, sample_light
from wearvision_training.sketch.backdrop import TEXTURES
from wearvision_training.sketch.drawing import Drawing, Slice, Veil
from wearvision_training.sketch.engine import as_mask, render, visible_ratio, window_mean
from wearvision_training.sketch.warp import homography, project

SIZE = 160
RASTER = 256
LAYER_TOLERANCE = 1e-4
AREA_TOLERANCE = 0.01


def _radius() -> np.ndarray:
    across = (np.arange(RASTER) + 0.5) * 2 / RASTER - 1
    return np.hypot(across[None, :], across[:, None])


def _disc(radius: float, z: float = 0.0, albedo: float = 0.5, name: str | None = "window", **more: object) -> Slice:
    far = _radius()
    alpha = np.clip((radius - far) * RASTER / 2 + 0.5, 0, 1).astype(np.float32)
    masks = {} if name is None else {name: far < radius}
    colour = np.full((RASTER, RASTER, 3), albedo, np.float32)
    return Slice(z, alpha, colour, masks=masks, gloss=0.0, **more)  # type: ignore[arg-type]


def _recipe(seed: int = 1, **camera: object) -> Recipe:
    rng = np.random.default_rng(seed)
    scene = {"light": sample_light(rng), "bench": sample_bench(rng), "clutter": [], "glass": {}, "lift": 0.0}
    pose = {**sample_pose(rng), **sample_sensor(rng), "scale": 0.8, "shift": [0.05, -0.1], **camera}
    return Recipe("flame_cell", "face", "test", {}, {}, scene, pose, seed)


def _veil(film: float, haze: float) -> Veil:
    far = _radius()
    return Veil(
        0.01, far < 0.6, (film * (far < 0.3)).astype(np.float32), np.full_like(far, haze, np.float32),
        (0.02, 0.03, 0.01), (0.7, 0.6, 0.5),
    )  # fmt: skip


@pytest.mark.parametrize(("tilt", "z"), [(0.0, 0.0), (20.0, 0.0), (35.0, 0.0), (25.0, 0.3)])
def test_mask_of_a_tilted_disc_matches_its_projected_outline(tilt: float, z: float) -> None:
    recipe = _recipe(tilt_deg=tilt, turn_deg=77.0, distance=6.0)
    picture = render(Drawing((_disc(0.6, z),), {}), recipe, SIZE)
    angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    outline = project(homography(recipe.camera, SIZE, z), 0.6 * np.column_stack([np.cos(angles), np.sin(angles)]))
    x, y = outline.T
    area = 0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
    rows, columns = np.nonzero(as_mask(picture.cover["window"]))
    assert len(rows) == pytest.approx(area, rel=AREA_TOLERANCE)
    # Inside the outline is where its winding closes: every mask pixel lies no more than a pixel outside.
    middle = outline.mean(0)
    reach = np.interp(
        np.arctan2(rows - middle[1], columns - middle[0]),
        *_by_angle(outline - middle),
        period=2 * np.pi,
    )
    assert np.all(np.hypot(rows - middle[1], columns - middle[0]) <= reach + 1)


def _by_angle(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    angle = np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(angle)
    return angle[order], np.hypot(*points.T)[order]


def test_disc_and_its_mask_lie_on_each_other() -> None:
    recipe = _recipe(3, tilt_deg=15.0)
    bright = render(Drawing((_disc(0.6, albedo=0.9),), {}), recipe, SIZE)
    dark = render(Drawing((_disc(0.6, albedo=0.0),), {}), recipe, SIZE)
    changed = np.abs(bright.linear - dark.linear).max(-1) > 0.45 * bright.light.max(-1)
    mask = as_mask(bright.cover["window"])
    assert np.count_nonzero(changed ^ mask) < 0.01 * mask.sum()


def test_higher_slices_shift_with_the_tilt_and_look_larger() -> None:
    level = _recipe(tilt_deg=0.0, distance=5.0)
    low, high = (render(Drawing((_disc(0.5, z),), {}), level, SIZE).cover["window"].sum() for z in (0.0, 0.5))
    assert high / low == pytest.approx((5.0 / 4.5) ** 2, rel=0.01)
    tilted = _recipe(tilt_deg=30.0, tilt_towards_deg=0.0, turn_deg=0.0, distance=20.0)
    centres = [
        np.argwhere(render(Drawing((_disc(0.4, z),), {}), tilted, SIZE).cover["window"] > 0.5).mean(0)[1]
        for z in (0.0, 0.3)
    ]
    assert centres[1] - centres[0] == pytest.approx(0.3 * np.sin(np.pi / 6) * 0.8 * SIZE / 2, abs=1.0)


@pytest.mark.parametrize("seed", range(4))
def test_layer_equation_holds_before_the_camera(seed: int) -> None:
    recipe = _recipe(seed)
    veil = _veil(0.4, 0.35)
    picture = render(Drawing((_disc(0.8, name=None), _disc(0.6, 0.005, 0.3)), {}, veil), recipe, SIZE)
    f, h = picture.film[..., None], picture.haze[..., None]
    a, s = np.array(veil.haze_radiance) * picture.light, np.array(veil.film_radiance) * picture.light
    expected = (1 - f) * ((1 - h) * picture.clear + h * a) + f * s
    assert np.abs(picture.linear - expected).max() < LAYER_TOLERANCE
    bare = render(Drawing((_disc(0.8, name=None), _disc(0.6, 0.005, 0.3)), {}, _veil(0.0, 0.0)), recipe, SIZE)
    np.testing.assert_allclose(bare.linear, picture.clear, atol=LAYER_TOLERANCE)


def test_film_and_haze_means_are_those_of_the_visible_window() -> None:
    picture = render(Drawing((_disc(0.6),), {}, _veil(0.4, 0.35)), _recipe(tilt_deg=10.0, distance=20.0), SIZE)
    assert window_mean(picture, picture.haze) == pytest.approx(0.35, abs=0.002)
    assert window_mean(picture, picture.film) == pytest.approx(0.4 * 0.25, abs=0.003)


def test_nearer_slice_hides_masks_and_veil_but_not_those_that_go_through() -> None:
    below = _disc(0.6, 0.0)
    rim = _disc(0.7, -0.1, name="rim", through=frozenset({"rim"}))
    lid = _disc(0.3, 0.2, name=None)
    recipe = _recipe(tilt_deg=0.0, distance=25.0)
    whole = render(Drawing((rim, below), {}, _veil(0.4, 0.2)), recipe, SIZE)
    hidden = render(Drawing((rim, below, lid), {}, _veil(0.4, 0.2)), recipe, SIZE)
    ratio = hidden.cover["window"].sum() / whole.cover["window"].sum()
    assert ratio == pytest.approx(1 - (0.3 / 0.6) ** 2, abs=0.02)
    np.testing.assert_allclose(hidden.cover["rim"].sum(), whole.cover["rim"].sum(), rtol=1e-5)
    assert window_mean(hidden, hidden.film) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("tilt", [0.0, 18.0])
def test_area_ratio_of_a_patch_is_its_share(tilt: float) -> None:
    patch = _disc(0.2, 0.001, 0.05, "scorch")
    recipe = _recipe(tilt_deg=tilt, distance=20.0)
    # The patch is printed on the window: it must not count as something that hides it.
    window = replace(_disc(0.6), through=frozenset({"window"}))
    picture = render(Drawing((window, patch), {}), recipe, SIZE)
    assert visible_ratio(picture, "scorch", ("window",)) == pytest.approx((0.2 / 0.6) ** 2, rel=0.03)
    assert visible_ratio(picture, "scorch", ("rod",)) is None
    assert visible_ratio(picture, "residue", ("window",)) == 0.0


def test_things_on_the_glass_change_the_photo_and_not_the_truth() -> None:
    plain = _recipe(5)
    spot = {"shape": "spot", "at": [0.2, 0.1], "size": 0.1, "turn_deg": 0.0, "blur": 0.2, "strength": 2.0}
    wet = replace(plain, scene={**plain.scene, "glass": {"glints": [spot], "drops": [[-0.3, 0.2, 0.15]]}})
    drawing = Drawing((_disc(0.6),), {}, _veil(0.2, 0.2))
    one, other = render(drawing, plain, SIZE), render(drawing, wet, SIZE)
    assert np.abs(one.image.astype(int) - other.image).max() > 40
    np.testing.assert_array_equal(one.film, other.film)
    np.testing.assert_array_equal(one.cover["window"], other.cover["window"])


def test_inputs_are_not_modified() -> None:
    piece = _disc(0.6)
    before = piece.albedo.copy(), piece.alpha.copy()
    render(Drawing((piece,), {}, _veil(0.3, 0.3)), _recipe(), SIZE)
    np.testing.assert_array_equal(piece.albedo, before[0])
    np.testing.assert_array_equal(piece.alpha, before[1])


def test_thin_line_keeps_its_area_as_a_mask() -> None:
    cover = np.zeros((50, 50), np.float32)
    cover[20, 5:45] = 0.45  # a crack of 0.9 pixels that straddles two rows
    cover[21, 5:45] = 0.45
    assert 36 <= as_mask(cover).sum() <= 80


def test_too_small_a_picture_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 64"):
        render(Drawing((), {}), _recipe(), 32)


def test_every_bench_kind_is_painted_and_differs() -> None:
    assert set(TEXTURES) == set(BENCHES)
    recipe = _recipe()
    seen = {}
    for kind in BENCHES:
        scene = {**recipe.scene, "bench": {**recipe.scene["bench"], "kind": kind, "contrast": 1.0}}
        linear = render(Drawing((), {}), replace(recipe, scene=scene), 96).linear
        assert np.isfinite(linear).all()
        assert linear.min() >= 0
        seen[kind] = hashlib.sha256(linear.tobytes()).hexdigest()
    # Glove and skin share a texture and differ by colour only.
    assert len(set(seen.values())) >= len(BENCHES) - 1


def test_warm_lamps_are_redder_than_cold_ones() -> None:
    ratios = [kelvin_to_rgb(k)[0] / kelvin_to_rgb(k)[2] for k in (2500, 4000, 6500, 9000)]
    assert ratios == sorted(ratios, reverse=True)
    np.testing.assert_allclose(kelvin_to_rgb(6500), 1.0, atol=0.06)


def test_same_recipe_gives_the_same_bytes_in_another_process() -> None:
    script = (
        "import hashlib, sys, numpy as np\n"
        "from wearvision_training.studio import draw\n"
        "from wearvision_training.recipe import Recipe\n"
        "print(hashlib.sha256(draw(Recipe.from_json(sys.stdin.read()), 96).image.tobytes()).hexdigest())\n"
    )
    from wearvision_training.studio import draw, sample_recipe

    recipe = sample_recipe("none", np.random.default_rng(11), families=["cell_like"])
    assert Recipe.from_json(recipe.to_json()) == recipe
    here = hashlib.sha256(draw(recipe, 96).image.tobytes()).hexdigest()
    there = subprocess.run(
        [sys.executable, "-c", script], input=recipe.to_json(), capture_output=True, text=True, check=True, timeout=60
    ).stdout.strip()
    assert here == there
