"""Flame-sensing cells in three dimensions: same truth and same regions as the sketch of the same record."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from wearvision_training import studio
from wearvision_training.designs.flame_cell import FAMILIES
from wearvision_training.pathtrace import mesh
from wearvision_training.pathtrace.flame_cell import model
from wearvision_training.pathtrace.flame_cell_base import plate_outline
from wearvision_training.pathtrace.solid import Finish, Model, Solid
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.flame_cell import draw, plate_distance
from wearvision_training.sketch.flame_cell_raster import grid
from wearvision_training.wear.flame_cell import scaled_rim

RASTER = 128


def recipe_of(family: str, seed: int = 0) -> Recipe:
    rng = np.random.default_rng([seed, FAMILIES.index(family)])
    recipe = studio.sample_recipe("flame_cell", rng, families=[family])
    camera = {**recipe.camera, "tilt_deg": 0.0, "shift": [0.0, 0.0], "scale": 0.95, "distance": 20.0}
    return replace(recipe, camera=camera)


def bench_under(made: Model) -> Solid:
    return Solid(mesh.box((0, 0, made.floor - 0.05), (9, 9, 0.05)), Finish(np.full(3, 0.4, np.float32)))


@pytest.mark.parametrize("family", FAMILIES)
def test_model_every_family_is_sound_and_has_the_sketch_truth(family):
    recipe = recipe_of(family)
    made, drawn = model(recipe, RASTER), draw(recipe, RASTER)
    triangles = sum(len(solid.mesh.faces) for solid in made.solids)
    assert 5_000 < triangles <= 120_000
    for solid in made.solids:
        assert np.isfinite(solid.mesh.vertices).all()
        assert solid.mesh.faces.max() < len(solid.mesh.vertices)
        assert np.hypot(*solid.mesh.vertices[:, :2].T).max() < np.sqrt(2)
        assert np.all(np.asarray(solid.finish.albedo) >= 0)
        assert np.all(np.asarray(solid.finish.albedo) <= 1)
    assert made.measures == drawn.measures
    assert made.notes == drawn.notes
    assert made.floor < min(-float(recipe.design["body"]["depth"]), -0.02) + 1e-6
    rim = next(piece for piece in drawn.slices if "rim" in piece.masks)
    assert np.array_equal(made.outlines["rim"][0], rim.masks["rim"])


def test_model_is_the_same_each_time_and_leaves_the_recipe_alone():
    recipe = recipe_of("stepped-turret", 3)
    before = recipe.to_json()
    one, two = model(recipe, RASTER), model(recipe, RASTER)
    assert recipe.to_json() == before
    for a, b in zip(one.solids, two.solids, strict=True):
        assert np.array_equal(a.mesh.vertices, b.mesh.vertices)
        assert np.array_equal(a.finish.albedo, b.finish.albedo)


def test_rim_silhouette_follows_the_worn_outline():
    recipe = recipe_of("flat-plastic", 1)
    bumps = {"waves": [{"order": 3, "size": 0.1, "angle": 0.4}], "bumps": [], "browned": 0.0}
    design = {**recipe.design, "bases": [], "leads": []}
    design["body"] = {**design["body"], "taper": 0.9}
    worn = replace(recipe, design=design, wear={**recipe.wear, "rim": bumps})
    reached = {}
    for factor in (0.0, 1.0):
        made = model(replace(worn, wear={**worn.wear, "rim": scaled_rim(bumps, factor)}), RASTER)
        points = np.concatenate([solid.mesh.vertices[:, :2] for solid in made.solids])
        turns, far = np.arctan2(points[:, 1], points[:, 0]), np.hypot(*points.T)
        edges = np.linspace(-np.pi, np.pi, 61)
        reached[factor] = np.array([far[(turns >= a) & (turns <= b)].max() for a, b in itertools.pairwise(edges)])
    middle = (edges[1:] + edges[:-1]) / 2
    wanted = 0.1 * np.cos(3 * (middle - 0.4)) * float(design["rim"]["outer"])
    assert np.abs(reached[1.0] - reached[0.0] - wanted).max() < 0.02


@pytest.mark.parametrize("shape", ["ellipse", "hexagon", "box"])
def test_plate_outline_lies_on_the_edge_of_the_drawn_plate(shape):
    plate = {"shape": shape, "half": [0.7, 0.7 if shape == "hexagon" else 0.5], "corner": 0.1, "centre": [0.1, -0.05]}
    outline, whole = plate_outline(plate), grid(400)
    distance = plate_distance(plate, whole)
    at = np.round((outline + 1) * 200 - 0.5).astype(int)
    assert np.abs(distance[at[:, 1], at[:, 0]]).max() < 0.012


def test_window_layers_are_those_of_the_sketch():
    recipe = recipe_of("domed-metal", 2)
    wear = {**recipe.wear, "film": {**recipe.wear["film"], "mean": 0.3}, "haze": {**recipe.wear["haze"], "mean": 0.2}}
    worn = replace(recipe, wear=wear)
    made, drawn = model(worn, RASTER), draw(worn, RASTER)
    assert made.pane is not None
    assert drawn.veil is not None
    assert np.array_equal(made.pane.film, drawn.veil.film)
    assert np.array_equal(made.pane.haze, drawn.veil.haze)
    highest = max(float(solid.mesh.vertices[:, 2].max()) for solid in made.solids if "window" in solid.marks)
    assert made.pane.glass.vertices[:, 2].max() > highest
    assert made.pane.card.vertices[:, 2].max() > highest


def test_water_drops_stand_on_the_glass():
    recipe = recipe_of("brass-bezel", 1)
    dry = model(replace(recipe, scene={**recipe.scene, "glass": {}}), RASTER)
    wet = model(replace(recipe, scene={**recipe.scene, "glass": {"drops": [[0.1, 0.2, 0.1]]}}), RASTER)
    assert dry.pane is not None
    assert wet.pane is not None
    assert len(wet.pane.glass.faces) > len(dry.pane.glass.faces)
    assert wet.pane.glass.vertices[:, 2].max() > dry.pane.glass.vertices[:, 2].max() + 0.005


@pytest.mark.parametrize("family", ["deep-barrel", "oval-flange", "slotted-collar", "thin-ring-lens", "bevel-cup"])
def test_regions_agree_with_the_sketch_face_on(family):
    pytest.importorskip("mitsuba")
    from wearvision_training.pathtrace import tracer
    from wearvision_training.pathtrace.engine import render
    from wearvision_training.pathtrace.world import World

    tracer.choose_variant()
    recipe = recipe_of(family, 4)
    scorch = {"ratio": 0.2, "blots": [{"at": [0.1, 0.2], "radius": 0.8}], "tone": [0.03, 0.02, 0.015]}
    recipe = replace(recipe, wear={**recipe.wear, "scorch": {**scorch, "rough": 0.2, "blisters": 0.5, "fringe": 0.2}})
    made = model(recipe, RASTER)
    room = World((bench_under(made),), (), np.ones((8, 16, 3), np.float32))
    cover = render(made, room, recipe, 96, samples=1).cover
    masks = studio.draw(recipe, 96).masks
    for name in ("part", "rim", "window", "scorch"):
        seen, drawn = cover[name] >= 0.5, masks[name]
        assert (seen & drawn).sum() / (seen | drawn).sum() >= 0.9, name
