"""The path-tracing engine: visible regions by the marks of bodies, outlines that stay whole, the photo itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wearvision_training.pathtrace import tracer
from wearvision_training.pathtrace.engine import render, white_of
from wearvision_training.pathtrace.mesh import box, grid_mesh
from wearvision_training.pathtrace.solid import WHOLE, Finish, Mesh, Model, Pane, Solid
from wearvision_training.pathtrace.world import World
from wearvision_training.recipe import Recipe
from wearvision_training.studio import sample_recipe

pytest.importorskip("mitsuba")

SIZE, RASTER = 64, 128
GREY = Finish(np.full(3, 0.5, np.float32), 0.9)
ROOM = World((Solid(box((0, 0, -0.6), (5, 5, 0.05)), GREY),), (), np.ones((8, 16, 3), np.float32))
POSE: dict[str, Any] = {"tilt_deg": 0.0, "shift": [0.0, 0.0], "scale": 0.9, "distance": 20.0, "turn_deg": 0.0}


@pytest.fixture(autouse=True, scope="module")
def small_and_steady() -> Iterator[None]:
    import drjit as dr

    tracer.choose_variant()
    threads = dr.thread_count()
    dr.set_thread_count(1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tracer, "ATLAS_SMALL", 256)
        yield
    dr.set_thread_count(threads)


def recipe_of(**camera: Any) -> Recipe:
    made = sample_recipe("flame_cell", np.random.default_rng(3))
    return replace(made, camera={**made.camera, **POSE, **camera})


def sheet(z: float, half: float, at: tuple[float, float] = (0.0, 0.0)) -> Mesh:
    x, y = np.meshgrid([at[0] - half, at[0] + half], [at[1] - half, at[1] + half])
    return grid_mesh(np.stack([x, y, np.full((2, 2), z)], -1))


def disc_raster(radius: float) -> np.ndarray:
    x = (np.arange(RASTER) + 0.5) * 2 / RASTER - 1
    return np.asarray(np.hypot(x[None], x[:, None]) < radius)


def share(half: float, camera: dict[str, Any] = POSE) -> float:
    """Of the picture, that a square of the plane fills."""
    return float((half * camera["scale"]) ** 2)


def test_marks_of_bodies_become_visible_cover() -> None:
    left = np.zeros((RASTER, RASTER), bool)
    left[:, : RASTER // 2] = True
    plate = Solid(sheet(0.0, 0.8), GREY, {"grime": disc_raster(0.5), "face": left})
    knob = Solid(sheet(0.3, 0.2), GREY, {"rod": WHOLE})
    cover = render(Model((plate, knob), {}, {}, -0.5), ROOM, recipe_of(), SIZE, samples=1).cover
    near = 20 / 19.7  # the knob is 0.3 nearer the lens
    assert cover["part"].mean() == pytest.approx(share(0.8), rel=0.03)
    assert cover["rod"].mean() == pytest.approx(share(0.2 * near), rel=0.1)
    hidden = share(0.2 * near)
    assert cover["grime"].mean() == pytest.approx(np.pi * 0.25 * 0.81 / 4 - hidden, rel=0.06)
    assert cover["face"].mean() == pytest.approx((share(0.8) - hidden) / 2, rel=0.06)
    assert cover["face"][:, SIZE // 2 + 2 :].max() == 0
    for plane in cover.values():
        assert plane.shape == (SIZE, SIZE)
        assert plane.min() >= 0
        assert plane.max() <= 1


def test_outlines_stay_whole_under_what_lies_over_them() -> None:
    plate = Solid(sheet(0.0, 0.8), GREY, {"grime": WHOLE})
    lid = Solid(sheet(0.2, 0.7), GREY)
    outlines = {"rim": (disc_raster(0.6), 0.0)}
    cover = render(Model((plate, lid), outlines, {}, -0.5), ROOM, recipe_of(tilt_deg=20.0), SIZE, samples=1).cover
    tilted = np.pi * 0.36 * 0.81 / 4 * np.cos(np.deg2rad(20))
    assert cover["rim"].mean() == pytest.approx(tilted, rel=0.05)
    assert cover["grime"].mean() < 0.5 * share(0.8)


def test_bench_and_clutter_are_no_part() -> None:
    clutter = Solid(sheet(0.5, 0.3, (0.5, 0.5)), GREY, {"crack": WHOLE})
    world = World((*ROOM.solids, clutter), (), ROOM.environment)
    model = Model((Solid(sheet(0.0, 0.6), GREY),), {}, {}, -0.5)
    bare = render(model, ROOM, recipe_of(), SIZE, samples=1).cover
    cover = render(model, world, recipe_of(), SIZE, samples=1).cover
    assert set(cover) == {"part"}
    # Clutter over the part hides it.
    assert cover["part"].sum() < 0.9 * bare["part"].sum()


def test_film_and_haze_are_read_where_the_window_shows() -> None:
    film = np.zeros((RASTER, RASTER), np.float32)
    film[: RASTER // 2] = 0.6
    haze = np.full((RASTER, RASTER), 0.25, np.float32)
    pane = Pane(film, haze, (0.1, 0.1, 0.1), (0.5, 0.5, 0.5), sheet(0.01, 0.6), sheet(0.02, 0.6))
    window = Solid(sheet(0.0, 0.6), GREY, {"window": disc_raster(0.5)})
    post = Solid(sheet(0.4, 0.15), GREY)
    picture = render(Model((window, post), {}, {}, -0.5, pane), ROOM, recipe_of(), SIZE, samples=4)
    seen = picture.cover["window"]
    half = SIZE // 2
    assert picture.haze == pytest.approx(0.25 * seen, abs=1e-6)
    assert picture.film[: half - 1] == pytest.approx(0.6 * seen[: half - 1], abs=1e-6)
    assert picture.film[half + 1 :].max() == 0
    assert seen[half - 3 : half + 3, half - 3 : half + 3].max() == 0


def test_model_without_a_pane_has_no_layers() -> None:
    picture = render(Model((Solid(sheet(0.0, 0.8), GREY),), {}, {}, -0.5), ROOM, recipe_of(), SIZE, samples=2)
    assert picture.film.max() == picture.haze.max() == 0
    assert np.array_equal(picture.linear, picture.clear)
    assert picture.image.dtype == np.uint8
    assert picture.image.shape == (SIZE, SIZE, 3)


def test_same_recipe_gives_the_same_bytes_and_another_seed_others() -> None:
    model = Model((Solid(sheet(0.0, 0.8), GREY, {"grime": disc_raster(0.4)}),), {}, {}, -0.5)
    recipe = recipe_of()
    one, two = (render(model, ROOM, recipe, SIZE, samples=2) for _ in range(2))
    assert np.array_equal(one.image, two.image)
    assert all(np.array_equal(one.cover[name], two.cover[name]) for name in one.cover)
    other = render(model, ROOM, replace(recipe, seed=recipe.seed + 1), SIZE, samples=2)
    assert not np.array_equal(one.image, other.image)


@pytest.mark.parametrize("size", [60, 66])
def test_sides_that_do_not_suit_are_refused(size: int) -> None:
    with pytest.raises(ValueError, match="divides by 4"):
        render(Model((Solid(sheet(0.0, 0.8), GREY),), {}, {}, -0.5), ROOM, recipe_of(), size, samples=1)


def test_white_is_that_of_the_light_and_has_mean_one() -> None:
    light = np.array([1.0, 0.8, 0.5], np.float32)
    grey = np.random.default_rng(0).random((32, 32, 1)).astype(np.float32)
    assert white_of(grey * light) == pytest.approx(light / light.mean(), rel=1e-5)
    assert white_of(np.zeros((32, 32, 3), np.float32)) == pytest.approx(np.ones(3))
    # A red thing that fills half of the picture sways the guess, but by less than the mean of all would be.
    red = np.where(np.arange(32)[:, None, None] < 16, grey * [1.0, 0.1, 0.1], grey * np.ones(3)).astype(np.float32)
    assert 1 < white_of(red)[0] < red.mean((0, 1))[0] / red.mean()
