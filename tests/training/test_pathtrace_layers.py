"""What lies over a window: the wear standard's layer equation, pixel by pixel, and the glass's mirror image."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from wearvision_training import studio
from wearvision_training.pathtrace import flame_cell, tracer
from wearvision_training.pathtrace.engine import render
from wearvision_training.pathtrace.layers import fresnel
from wearvision_training.pathtrace.solid import Model, Pane
from wearvision_training.pathtrace.world import World
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.engine import Picture

pytest.importorskip("mitsuba")

SIZE, RASTER = 72, 128
FAMILIES = ("bevel-cup", "resin-disc", "flat-plastic")
ROOM = World((), (), np.random.default_rng(0).random((8, 16, 3)).astype(np.float32))


@pytest.fixture(autouse=True, scope="module")
def steady() -> Iterator[None]:
    import drjit as dr

    tracer.choose_variant()
    threads = dr.thread_count()
    dr.set_thread_count(1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tracer, "ATLAS_SMALL", 512)
        yield
    dr.set_thread_count(threads)


def worn(family: str, film: float, haze: float, **camera: float) -> Recipe:
    recipe = studio.sample_recipe("flame_cell", np.random.default_rng(5), families=[family])
    wear = {name: {**recipe.wear[name], "mean": mean} for name, mean in (("film", film), ("haze", haze))}
    pose: dict[str, Any] = {"tilt_deg": 0.0, "shift": [0.0, 0.0], "scale": 1.2, "distance": 12.0, **camera}
    scene = {**recipe.scene, "glass": {}}
    return replace(recipe, wear={**recipe.wear, **wear}, camera={**recipe.camera, **pose}, scene=scene)


def shown(recipe: Recipe) -> tuple[Model, Pane, Picture, NDArray[np.bool_]]:
    made = flame_cell.model(recipe, RASTER)
    assert made.pane is not None
    picture = render(made, ROOM, recipe, SIZE, samples=4)
    whole = picture.cover["window"] >= 1
    assert whole.sum() > 200
    return made, made.pane, picture, whole


@pytest.mark.parametrize(("family", "tilt"), [("bevel-cup", 0.0), ("resin-disc", 25.0)])
def test_layer_equation_holds_at_every_window_pixel(family: str, tilt: float) -> None:
    _, pane, picture, whole = shown(worn(family, 0.35, 0.25, tilt_deg=tilt))
    milky = picture.light * np.asarray(pane.haze_radiance, np.float32)
    deposit = picture.light * np.asarray(pane.film_radiance, np.float32)
    f, h = picture.film[..., None], picture.haze[..., None]
    wanted = (1 - f) * ((1 - h) * picture.clear + h * milky) + f * deposit
    assert np.abs(wanted - picture.linear)[whole].max() < 1e-5
    assert np.abs(picture.linear - picture.clear)[whole].mean() > 0.01
    off = picture.cover["window"] == 0
    assert np.array_equal(picture.linear[off], picture.clear[off])
    assert picture.film[off].max() == picture.haze[off].max() == 0


def test_window_without_layers_shows_what_is_behind_it() -> None:
    _, _, picture, whole = shown(worn("flat-plastic", 0.0, 0.0))
    assert np.array_equal(picture.linear, picture.clear)
    assert picture.film.max() == picture.haze.max() == 0
    assert picture.clear[whole].min() >= 0


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(("film", "haze"), [(0.4, 0.15)])
def test_film_and_haze_are_those_of_the_sketch(family: str, film: float, haze: float) -> None:
    recipe = worn(family, film, haze)
    made, _, picture, _ = shown(recipe)
    traced, drawn = studio.truth(made.measures, picture, recipe), studio.draw(recipe, SIZE).measures
    for name, mean in (("film_loss", film), ("haze", haze)):
        assert traced[name] == pytest.approx(drawn[name], abs=0.02)
        assert traced[name] == pytest.approx(mean, abs=0.02)


def test_even_room_lights_the_card_evenly_and_is_mirrored_by_fresnels_share() -> None:
    recipe = worn("flat-plastic", 0.3, 0.0)
    made = flame_cell.model(recipe, RASTER)
    assert made.pane is not None
    even = World((), (), np.full((8, 16, 3), 0.7, np.float32))
    # Glass that refracts like air mirrors nothing: what is behind it alone.
    bare = render(replace(made, pane=replace(made.pane, index=1.0 + 1e-6)), even, recipe, SIZE, samples=4)
    glassy = render(made, even, recipe, SIZE, samples=4)
    whole = glassy.cover["window"] >= 1
    share = ((made.pane.index - 1) / (made.pane.index + 1)) ** 2
    mirrored = (glassy.clear - bare.clear * (1 - share))[whole] / share
    assert np.median(mirrored) == pytest.approx(0.7, rel=0.05)
    # The rim about the window keeps some of the room from the card, and the card has a little gloss of its own.
    assert 0.75 < glassy.light[whole].mean() / 0.7 < 1.08


@pytest.mark.parametrize("index", [1.3, 1.5, 1.9])
def test_fresnel_share_grows_from_normal_to_grazing(index: float) -> None:
    cosine = np.linspace(0, 1, 200).astype(np.float32)
    share = fresnel(cosine, index)
    assert share[0] == pytest.approx(1, abs=1e-6)
    assert (np.diff(share) <= 1e-6).all()
    assert ((share >= 0) & (share <= 1)).all()
