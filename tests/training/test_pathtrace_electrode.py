"""The electrode in three dimensions: the same regions and truth as the sketch, real bodies, real bites."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from wearvision_training import studio
from wearvision_training.designs.electrode import FAMILIES
from wearvision_training.pathtrace import electrode
from wearvision_training.pathtrace.electrode_metal import rod
from wearvision_training.pathtrace.solid import Model
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.electrode import draw
from wearvision_training.sketch.engine import render
from wearvision_training.wear.electrode import NEW, sample_residue, sample_tip

SIZE, RASTER = 128, 384
AGREE = 0.9
BRIDGE_AGREE = 0.6  # lumps are eggs with dents there and discs here, and a few pixels wide
MOST_TRIANGLES = 120_000
BULGE = 0.035  # rod radii: end faces are a little uneven
LOSS_TOLERANCE = 0.02  # rings stand 0.13 radii apart


def recipe_of(family: str, seed: int, wear: dict[str, Any] | None = None) -> Recipe:
    """A recipe seen straight from above and from afar, so that both engines must show the same outline."""
    made = studio.sample_recipe("electrode", np.random.default_rng(seed), families=[family])
    camera = {**made.camera, "tilt_deg": 0.0, "aperture": 0.0, "scale": 1.0, "shift": [0.0, 0.0], "distance": 40.0}
    scene = {**made.scene, "clutter": [], "lift": 0.0}
    worn = made.wear if wear is None else {**NEW, **wear}
    return replace(made, wear=worn, camera=camera, scene=scene)


def with_wear(family: str, seed: int, name: str) -> Recipe:
    """The first recipe from ``seed`` on whose wear has ``name``."""
    for step in range(60):
        made = recipe_of(family, seed + step)
        if made.wear.get(name):
            return made
    raise LookupError(f"no {name} in sixty recipes")


def seen(model: Model, recipe: Recipe) -> dict[str, np.ndarray]:
    """Visible cover of every region by rays through the model, (SIZE, SIZE)."""
    pytest.importorskip("mitsuba")
    from wearvision_training.pathtrace import engine, tracer
    from wearvision_training.pathtrace.world import World

    tracer.choose_variant()
    grey = World((), (), np.full((4, 8, 3), 0.5, np.float32))
    hits = tracer.Stage(model.solids, grey, recipe.camera, SIZE).hits(engine.FINE)
    return engine._cover(model.solids, hits)


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    a, b = a > 0.5, b > 0.5
    return float((a & b).sum() / max((a | b).sum(), 1))


@pytest.mark.parametrize("family", FAMILIES)
def test_model_of_any_family_is_within_budget_and_over_its_floor(family: str) -> None:
    model = electrode.model(recipe_of(family, 5), 192)
    assert sum(len(solid.mesh.faces) for solid in model.solids) <= MOST_TRIANGLES
    lowest = min(solid.mesh.vertices[:, 2].min() for solid in model.solids)
    assert model.floor == pytest.approx(lowest)
    for solid in model.solids:
        assert np.isfinite(solid.mesh.vertices).all()
        assert np.isfinite(solid.finish.albedo).all()
        assert 0 <= solid.finish.albedo.min() <= solid.finish.albedo.max() <= 1
        assert np.min(solid.finish.roughness) >= 0.08


@pytest.mark.parametrize("family", FAMILIES[::3])
def test_regions_straight_from_above_are_those_of_the_sketch(family: str) -> None:
    rng = np.random.default_rng(3)
    worn = {"residue": {**sample_residue(0.3, rng), "kind": "crust", "fray": 0.0, "soft": 0.05, "grain": 3.0}}
    recipe = recipe_of(family, 11, worn)
    found = seen(electrode.model(recipe, RASTER), recipe)
    drawn = render(draw(recipe, RASTER), recipe, SIZE).cover
    for name in ("part", "ceramic", "rod"):
        assert overlap(found[name], drawn[name]) >= AGREE, name
    assert overlap(found["residue"], drawn["residue"]) >= AGREE - 0.05


def test_bridge_lies_where_the_sketch_draws_it() -> None:
    recipe = with_wear("twin_parallel", 40, "growth")
    recipe.wear["growth"].update(fraction=1.0, girth=1.2)
    found = seen(electrode.model(recipe, RASTER), recipe)
    drawn = render(draw(recipe, RASTER), recipe, SIZE).cover
    assert overlap(found["bridge"], drawn["bridge"]) >= BRIDGE_AGREE


def test_measures_and_notes_are_those_of_the_sketch() -> None:
    recipe = with_wear("lone_bent", 70, "cracks")
    drawing, model = draw(recipe, 200), electrode.model(recipe, 200)
    assert dict(model.measures) == dict(drawing.measures)
    assert dict(model.notes) == dict(drawing.notes)
    assert model.mm_per_unit == drawing.mm_per_unit


def test_chip_is_ceramic_that_is_gone() -> None:
    recipe = with_wear("lone_straight", 100, "chip")
    whole = seen(electrode.model(replace(recipe, wear=NEW), RASTER), recipe)["ceramic"]
    model = electrode.model(replace(recipe, wear={**NEW, "chip": recipe.wear["chip"]}), RASTER)
    bitten = seen(model, recipe)["ceramic"]
    mask, height = model.outlines["chip"]
    expected = mask.mean() * SIZE**2
    assert height == 0.0
    assert float((whole - bitten).sum()) == pytest.approx(expected, rel=0.3, abs=4)


@pytest.mark.parametrize("kind", ["taper", "round", "oblique"])
def test_worn_tip_narrows_the_rod_as_its_loss_says(kind: str) -> None:
    """Width of the rod's mesh over the last radius against the loss that the wear states."""
    tip = sample_tip(0.4, np.random.default_rng(2))
    while tip["kind"] != kind or tip["rough"] > 0:
        tip = sample_tip(0.4, np.random.default_rng(int(tip["seed"])))
    record = {"points": [[-0.8, 0.0], [0.8, 0.0]], "radius": 0.05, "chamfer": 0.0}
    points = rod(record, tip, np.random.default_rng(0)).vertices
    end = 0.8 - tip["setback"] * 0.05
    assert points[:, 0].max() == pytest.approx(end, abs=BULGE * 0.05)
    t = np.round((end - points[:, 0]) / 0.05, 4)
    steps = np.unique(t[(t >= 0) & (t <= 1.0)])
    width = np.array([np.ptp(points[t == step][:, 1]) for step in steps]) / 0.1
    loss = 1 - np.trapezoid(np.append(width, width[-1]), np.append(steps, 1.0))
    assert loss == pytest.approx(tip["loss"], abs=LOSS_TOLERANCE)


def test_same_recipe_gives_the_same_model() -> None:
    recipe = recipe_of("twin_ribbed", 8)
    one, two = electrode.model(recipe, 128), electrode.model(recipe, 128)
    for a, b in zip(one.solids, two.solids, strict=True):
        assert np.array_equal(a.mesh.vertices, b.mesh.vertices)
        assert np.array_equal(a.finish.albedo, b.finish.albedo)
