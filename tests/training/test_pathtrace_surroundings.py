"""Bench, clutter, lamps and room of the path-traced studio."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wearvision_training.pathtrace.bench_sheet import Sheet
from wearvision_training.pathtrace.bench_surface import SURFACES
from wearvision_training.pathtrace.lamps import in_view, lit, panel
from wearvision_training.pathtrace.room import directions
from wearvision_training.pathtrace.surroundings import HANDS, build, scaled
from wearvision_training.pathtrace.world import World, to_room
from wearvision_training.recipe import Recipe
from wearvision_training.scenes.bench import KINDS as BENCHES
from wearvision_training.scenes.bench import sample_bench
from wearvision_training.scenes.light import KINDS as LIGHTS
from wearvision_training.scenes.light import sample_light
from wearvision_training.scenes.room import EXTRAS, sample_room
from wearvision_training.studio import sample_recipe

FLOOR = -0.4
MOST_TRIANGLES = 150_000
CARD = 0.5  # albedo of the card that measures light


def _recipe(seed: int = 1, bench: str = "wood", light: str = "tube", **room: Any) -> Recipe:
    rng = np.random.default_rng(seed)
    made = sample_recipe("flame_cell", rng)
    scene = {
        **made.scene,
        "bench": {**sample_bench(rng), "kind": bench, "edge": None},
        "light": next(found for found in iter(lambda: sample_light(rng), None) if found["kind"] == light),
        "room": {**sample_room(rng, "flame_cell", light=light), **room},
        "clutter": [],
    }
    return replace(made, scene=scene)


def _solid_count(world: World) -> int:
    return sum(len(solid.mesh.faces) for solid in world.solids)


@pytest.mark.parametrize("light", LIGHTS)
def test_room_is_plain_json_and_comes_from_the_generator_alone(light: str) -> None:
    made = sample_room(np.random.default_rng(4), "coupler", light=light, photos=3)
    assert json.loads(json.dumps(made)) == made
    assert made == sample_room(np.random.default_rng(4), "coupler", light=light, photos=3)
    assert made != sample_room(np.random.default_rng(5), "coupler", light=light, photos=3)


def test_every_kind_of_bench_has_a_surface() -> None:
    assert set(SURFACES) == set(BENCHES)


@pytest.mark.parametrize("bench", BENCHES)
def test_every_variant_of_a_surface_fills_its_sheet(bench: str) -> None:
    side = 64
    for form in np.linspace(0.02, 0.98, 9):
        made = SURFACES[bench](Sheet(np.random.default_rng(2), side, 40.0, float(form), float(1 - form)))
        assert made.mix.shape == (side, side)
        for plane in (made.tone, made.relief, made.height, made.rough, made.metal):
            if plane is not None:
                assert np.isfinite(np.broadcast_to(plane, (side, side))).all()
        assert made.height is None or made.height.shape == (side, side)
        assert made.relief is None or made.relief.shape == (side, side)


@pytest.mark.parametrize("bench", BENCHES)
def test_bench_touches_the_part_and_stays_in_the_budget(bench: str) -> None:
    hand = sample_room(np.random.default_rng(0))["hand"] | {"held": False, "open": True}
    recipe = _recipe(3, bench, extras=[], hand=hand)
    recipe = replace(recipe, scene={**recipe.scene, "lift": 0.0})
    world = build(recipe, FLOOR)
    sheet = world.solids[0].mesh
    under = sheet.vertices[np.hypot(*sheet.vertices[:, :2].T) < 0.5]
    if len(under):
        # Highest point about the part: at its floor, give or take half a per cent of a bump.
        assert under[:, 2].max() < FLOOR + 0.12
    near = sheet.vertices[np.hypot(*sheet.vertices[:, :2].T) < 1.5]
    assert len(near) == 0 or near[:, 2].max() > FLOOR - 0.35
    assert _solid_count(world) < MOST_TRIANGLES
    for solid in world.solids:
        assert np.isfinite(solid.mesh.vertices).all()
        assert solid.mesh.faces.max() < len(solid.mesh.vertices)
        albedo = np.asarray(solid.finish.albedo)
        assert albedo.min() >= 0
        assert albedo.max() <= 1


def test_same_recipe_gives_the_same_world_and_other_seeds_another() -> None:
    recipe = _recipe(2)
    one, two = build(recipe, FLOOR), build(recipe, FLOOR)
    np.testing.assert_array_equal(one.environment, two.environment)
    np.testing.assert_array_equal(one.solids[0].finish.albedo, two.solids[0].finish.albedo)
    other = build(replace(recipe, seed=recipe.seed + 1), FLOOR)
    assert np.abs(np.asarray(other.solids[0].finish.albedo) - one.solids[0].finish.albedo).max() > 0.01


def test_recipe_without_a_room_gets_one_from_its_seed() -> None:
    recipe = sample_recipe("coupler", np.random.default_rng(8))
    assert "room" not in recipe.scene or recipe.scene["room"]
    bare = replace(recipe, scene={name: value for name, value in recipe.scene.items() if name != "room"})
    np.testing.assert_array_equal(build(bare, FLOOR).environment, build(bare, FLOOR).environment)


@pytest.mark.parametrize("light", LIGHTS)
def test_room_lights_the_bench_by_its_share(light: str) -> None:
    """Irradiance of the panorama on a level bench is pi times the ambient share, all of it under an overcast sky."""
    recipe = _recipe(6, light=light, second=None)
    world = build(recipe, FLOOR)
    towards = directions(world.environment.shape[0])
    height = np.clip(towards[..., 2], 0, None)
    texel = (np.pi / len(towards)) ** 2 * np.sqrt(1 - towards[..., 2] ** 2)
    arriving = float((world.environment.mean(-1) * height * texel).sum())
    share = 1.0 if light == "overcast" else recipe.scene["light"]["ambient"]
    assert arriving == pytest.approx(np.pi * share, rel=0.02)
    assert (len(world.lamps) == 0) == (light == "overcast")


def test_panorama_of_one_radiance_gives_pi_times_it() -> None:
    assert scaled(np.full((64, 128, 3), 7.0, np.float32), np.pi).mean() == pytest.approx(1.0, rel=0.01)


def test_lamp_over_the_part_gives_its_irradiance_by_the_law_of_squares() -> None:
    mesh = panel(np.array([0.0, 0.0, 50.0]), np.array([0.0, 0.0, -1.0]), (0.5, 0.5), 0.0, 4)
    # A square lamp of area 1, 50 away: E = L / 2500.
    assert lit(mesh, np.ones(3), 1.0).radiance[0] == pytest.approx(2500, rel=0.01)


@pytest.mark.parametrize("light", LIGHTS)
def test_lamps_shine_down_on_the_bench(light: str) -> None:
    for seed in range(3):
        for lamp in build(_recipe(seed, light=light), FLOOR).lamps:
            corners = lamp.mesh.vertices[lamp.mesh.faces]
            across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            assert ((across * corners.mean(1)).sum(1) < 0).all()
            assert corners[..., 2].mean() > 0


@pytest.mark.parametrize("seed", range(12))
def test_torch_and_its_hood_stay_out_of_the_picture(seed: int) -> None:
    recipe = _recipe(seed, "plain", "torch", extras=[])
    recipe.scene["room"]["lamp"] |= {"reach": 0.6, "hood": True}
    recipe.scene["light"]["elevation_deg"] = 80.0
    world = build(recipe, FLOOR)
    for mesh in [lamp.mesh for lamp in world.lamps] + [solid.mesh for solid in world.solids]:
        near = in_view(mesh.vertices, recipe.camera, 0.0)
        near &= to_room(mesh.vertices, recipe.camera)[:, 2] > 0.5 * recipe.camera["distance"]
        assert not near.any()


@pytest.mark.parametrize("kind", EXTRAS)
def test_extras_lie_clear_of_the_part(kind: str) -> None:
    extra = {"kind": kind, "azimuth_deg": 70.0, "away": 0.05, "turn_deg": 60.0, "width_mm": 14.0, "hue": 0.1,
             "value": 0.5, "metal": False}  # fmt: skip
    bare = len(build(_recipe(5, "plain", extras=[]), FLOOR).solids)
    world = build(_recipe(5, "plain", extras=[extra]), FLOOR)
    added = world.solids[bare:]
    assert added
    for solid in added:
        assert np.hypot(*solid.mesh.vertices[:, :2].T).min() > 1.0


@pytest.mark.parametrize("bench", HANDS)
def test_fingers_carry_the_part(bench: str) -> None:
    recipe = _recipe(7, bench, extras=[])
    room = recipe.scene["room"]
    room["hand"] |= {"open": False, "thumb": False, "tip": 1.0}
    recipe = replace(recipe, scene={**recipe.scene, "lift": 0.0})
    world = build(recipe, FLOOR)
    tops = [float(solid.mesh.vertices[:, 2].max()) for solid in world.solids]
    touching = [top for top in tops if abs(top - FLOOR) < 0.25]
    assert len(touching) >= room["hand"]["fingers"] >= 2


def test_photograph_becomes_bench_or_room() -> None:
    photo = np.zeros((40, 60, 3), np.uint8)
    photo[..., 0] = 200
    use = {"index": 5, "use": "bench", "boost": 2.0, "blur": 0.0, "zoom": 1.0}
    bench = build(_recipe(9, "plain", photo=use), FLOOR, photos=[photo]).solids[0].finish.albedo
    assert np.median(bench[..., 0]) > 0.3
    assert np.median(bench[..., 1]) < 0.05
    room = build(_recipe(9, photo=use | {"use": "room"}, openings=[], tubes=[]), FLOOR, photos=[photo]).environment
    assert room[..., 0].mean() > 5 * room[..., 1].mean()
    # Without photographs the same record falls back on what is painted.
    assert np.isfinite(build(_recipe(9, photo=use), FLOOR).environment).all()


def test_panorama_and_lamp_light_the_card_that_faces_them() -> None:
    """The renderer's own answer: a level white card reflects its albedo's share, from the side that was asked for."""
    pytest.importorskip("mitsuba")
    from wearvision_training.pathtrace import mesh as m
    from wearvision_training.pathtrace.solid import Finish, Solid
    from wearvision_training.pathtrace.tracer import Stage, choose_variant

    choose_variant()
    flat = np.stack([*np.meshgrid([-3.0, 3.0], [-3.0, 3.0]), np.zeros((2, 2))], -1)
    card = Solid(m.grid_mesh(flat), Finish(np.full(3, CARD, np.float32), 1.0))
    camera = {"tilt_deg": 20, "tilt_towards_deg": 40, "turn_deg": 90, "distance": 8.0, "scale": 0.6, "shift": [0.1, 0]}
    place = np.array([3.0, 2.0, 9.0])
    lamp = lit(panel(place, -place / np.linalg.norm(place), (1.0, 0.6), 0.4), np.ones(3), 0.7 * np.pi)
    black = np.full((8, 16, 3), 1e-6, np.float32)
    seen = Stage([card], World((), (lamp,), black), camera, 24).picture(8, 1)[8:16, 8:16].mean()
    assert seen == pytest.approx(CARD * 0.7, rel=0.15)

    t = np.linspace(0, np.pi, 24)
    ball = m.revolved(np.column_stack([-np.cos(t) * 0.7, np.sin(t) * 0.7]), (0, 0, 0), (1.0, 0.0), around=32)
    body = Solid(ball, Finish(np.full(3, 0.8, np.float32), 0.9))
    spot = ((directions(24) @ np.array([1.0, 0, 0], np.float32)) > 0.95)[..., None] * np.full(3, 30, np.float32)
    upright = {**camera, "tilt_deg": 0, "shift": [0, 0]}
    picture = Stage([body], World((), (), spot.astype(np.float32)), upright, 24).picture(8, 1)[..., 1]
    # Turned by 90 degrees, the part's +x points down in the picture.
    assert picture[13:20, 8:16].mean() > 3 * picture[4:11, 8:16].mean()
