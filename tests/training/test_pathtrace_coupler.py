"""The coupler's bodies: they show what the record says, and agree with the sketch where both look straight on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearvision_training import studio
from wearvision_training.designs.coupler import FAMILIES
from wearvision_training.pathtrace.coupler import model
from wearvision_training.pathtrace.coupler_finish import joined_ends, sampled, spread
from wearvision_training.pathtrace.solid import Model
from wearvision_training.recipe import Recipe
from wearvision_training.sketch import coupler as sketch

VIEWS = ("end", "side")
RASTER = 128
TRIANGLES = 120_000
CLEAN = {"harmless": {"scratches": 0, "specks": 0.0, "drops": 0, "stress": 0.0}}


def _recipe(family: str, view: str, seed: int = 3) -> Recipe:
    return studio.sample_recipe("coupler", np.random.default_rng(seed), families=[family], view=view)


def _triangles(made: Model) -> int:
    return sum(len(solid.mesh.faces) for solid in made.solids)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("family", FAMILIES)
def test_model_of_every_family_is_sound_and_says_what_the_sketch_says(family: str, view: str) -> None:
    recipe = _recipe(family, view)
    made, drawn = model(recipe, RASTER), sketch.draw(recipe, 64)
    assert made.measures == drawn.measures
    assert made.notes == drawn.notes
    assert _triangles(made) <= TRIANGLES
    assert made.floor == pytest.approx(min(float(s.mesh.vertices[:, 2].min()) for s in made.solids))
    for solid in made.solids:
        mesh, finish = solid.mesh, solid.finish
        assert np.isfinite(mesh.vertices).all()
        assert mesh.faces.max() < len(mesh.vertices) == len(mesh.uv)
        assert mesh.normals is None or np.allclose(np.linalg.norm(mesh.normals, axis=1), 1, atol=1e-3)
        assert np.min(finish.albedo) >= 0
        assert np.max(finish.albedo) <= 1
        assert np.min(finish.roughness) >= 0.08
        assert finish.relief is None or np.isfinite(finish.relief).all()


@pytest.mark.parametrize("family", ["finned_hub", "webbed_wheel", "hex_bar", "bellows_link"])
def test_silhouette_of_an_end_is_its_outline(family: str) -> None:
    recipe = _recipe(family, "end", 9)
    made = model(replace(recipe, wear=CLEAN | {"deform": {"ratio": 0.1, "waves": [], "bumps": [
        {"at": 0.4, "width": 0.3, "amount": -1.0}], "browning": 0.5, "reach": 1.0}}), RASTER)  # fmt: skip
    face, _ = made.outlines["face"]
    edge = made.solids[0].mesh.vertices[-640:]
    inside = sampled(face.astype(np.float32), edge[:, 0] * 0.96, edge[:, 1] * 0.96)
    beyond = sampled(face.astype(np.float32), edge[:, 0] * 1.04, edge[:, 1] * 1.04)
    assert inside.mean() > 0.98
    assert beyond.mean() < 0.02


@pytest.mark.parametrize("kind", ["arc", "wave", "kink"])
@pytest.mark.parametrize("family", ["finned_hub", "two_tone_dog", "hex_bar", "fluted_shaft"])
def test_bow_of_the_skin_is_that_of_the_record(family: str, kind: str) -> None:
    wear = CLEAN | {"bow": {"kind": kind, "ratio": 0.06, "sign": 1.0, "at": 0.5}}
    made = model(replace(_recipe(family, "side", 4), wear=wear), RASTER)
    first, last = (float(v) for v in made.notes["chord"])
    skin = made.solids[0].mesh.vertices
    # Ribs lie alike above and below, so the silhouette's middle is the axis.
    places = np.linspace(first, last, 41)
    middle = []
    for x in places:
        near = skin[np.abs(skin[:, 0] - x) < 0.02]
        middle.append((near[:, 1].max() + near[:, 1].min()) / 2)
    straight = np.linspace(middle[0], middle[-1], len(middle))
    seen = float(np.abs(np.asarray(middle) - straight).max()) / (last - first)
    assert made.measures["bow_ratio"] == pytest.approx(0.06, rel=0.02)
    assert seen == pytest.approx(0.06, abs=0.012)


@pytest.mark.parametrize("family", FAMILIES)
def test_straight_part_looks_straight(family: str) -> None:
    made = model(replace(_recipe(family, "side", 6), wear=CLEAN), RASTER)
    skin = made.solids[0].mesh.vertices
    bins = np.round((skin[:, 0] + 1) * 50).astype(int)
    middle = [skin[bins == b, 1].max() + skin[bins == b, 1].min() for b in np.unique(bins)]
    assert np.abs(middle).max() / 2 < 0.004


def test_socket_reaches_down_to_its_floor_and_bore() -> None:
    recipe = _recipe("plain_sleeve", "end")
    socket = {**recipe.design["socket"], "depth": 0.5, "bore": 0.4}
    made = model(replace(recipe, design={**recipe.design, "socket": socket}, wear=CLEAN), RASTER)
    heights = [float(solid.mesh.vertices[:, 2].min()) for solid in made.solids]
    assert heights[3] == pytest.approx(-0.5, abs=0.01)
    assert min(heights[5:]) < -0.5


def test_crack_mark_lies_on_the_trace() -> None:
    crack = {"ratio": 0.6, "corner": 0, "aside": 0.0, "wander": 0.1, "width": 0.02, "contrast": 1.0, "branch": 0.0,
             "seed": 5}  # fmt: skip
    made = model(replace(_recipe("plain_sleeve", "end"), wear=CLEAN | {"cracks": [crack]}), 256)
    trace = np.asarray(made.notes["trace"])
    mark = np.asarray(made.solids[0].marks["crack"])
    assert sampled(mark.astype(np.float32), trace[:, 0], trace[:, 1]).mean() > 0.8
    dark = np.asarray(made.solids[0].finish.albedo)[mark].mean()
    assert dark < 0.6 * np.asarray(made.solids[0].finish.albedo)[~mark].mean()


def test_joined_ends_meet() -> None:
    texture = np.random.default_rng(0).random((4, 40)).astype(np.float32)
    made = joined_ends(texture)
    assert np.allclose(made[:, -1], made[:, 0])
    assert np.array_equal(made[:, :30], texture[:, :30])


def test_spread_puts_most_places_where_the_density_is_high() -> None:
    density = np.where(np.arange(100) < 10, 9.0, 1.0)
    places = spread(density, 90)
    assert np.mean(places < 0.1) == pytest.approx(0.5, abs=0.02)


def test_model_of_an_unknown_view_is_refused() -> None:
    with pytest.raises(ValueError, match="'end' or 'side'"):
        model(Recipe("coupler", "face", "hex_bar", {}, {}), RASTER)


SIZE = 96
LEAST = {"part": 0.93, "face": 0.97, "socket": 0.97, "grime": 0.75}
"""Grime in small patches is mostly border at 96 pixels."""


@pytest.mark.parametrize(
    ("family", "view"),
    [("ribbed_drum", "end"), ("flanged_thimble", "end"), ("waisted_spool", "side"), ("slotted_cage", "side")],
)
def test_regions_agree_with_the_sketch_seen_straight(family: str, view: str) -> None:
    pytest.importorskip("mitsuba")
    from wearvision_training.pathtrace import engine, tracer
    from wearvision_training.pathtrace.world import World
    from wearvision_training.sketch import engine as flat

    tracer.choose_variant()
    recipe = _recipe(family, view, 5)
    rng = np.random.default_rng(1)
    while "grime" not in recipe.wear or not 0.2 < recipe.wear["grime"]["area"] < 0.6:
        recipe = studio.sample_recipe("coupler", rng, families=[family], view=view)
    # From far away, so that nearer surfaces look no larger.
    camera = {**recipe.camera, "tilt_deg": 0.0, "scale": 0.95, "shift": [0.0, 0.0], "distance": 60.0}
    recipe = replace(recipe, camera=camera)
    world = World((), (), np.full((4, 8, 3), 0.5, np.float32))
    seen = engine.render(model(recipe, RASTER), world, recipe, SIZE, samples=1).cover
    drawn = flat.render(sketch.draw(recipe, RASTER), recipe, SIZE).cover
    hidden = drawn.get("socket", np.zeros((SIZE, SIZE), np.float32))
    for name, least in LEAST.items():
        if name not in drawn:
            continue
        a, b = seen[name], drawn[name]
        if name == "grime":
            # On the socket's walls and floor each engine lays it in its own way.
            a, b = a * (1 - hidden), b * (1 - hidden)
        assert np.minimum(a, b).sum() / np.maximum(a, b).sum() >= least, name
