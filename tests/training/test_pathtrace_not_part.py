"""The things that are no parts as bodies."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from wearvision_training.designs.not_part import FAMILIES, THINGS, sample_design
from wearvision_training.pathtrace.not_part import model
from wearvision_training.pathtrace.plates import plate, rounding
from wearvision_training.pathtrace.things import make_thing
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.not_part import draw_design

RASTER = 96
MOST_TRIANGLES = 120_000


def _recipe(family: str, seed: int = 3) -> Recipe:
    design = sample_design(family, "", np.random.default_rng(seed))
    return Recipe("none", "", family, design, {}, seed=seed)


def _disc(radius: float, raster: int = 200) -> np.ndarray:
    cover = np.zeros((raster, raster), np.uint8)
    middle = (raster / 2 - 0.5) * 16
    cv2.circle(cover, (round(middle), round(middle)), round(radius * raster / 2 * 16), 255, -1, cv2.LINE_AA, 4)
    return cover


@pytest.mark.parametrize("family", FAMILIES)
def test_family_has_sound_bodies_and_no_truth(family: str) -> None:
    made = model(_recipe(family), RASTER)
    assert made.measures == {}
    assert made.outlines == {}
    assert made.pane is None
    assert (len(made.solids) == 0) == (family == "empty")
    assert sum(len(solid.mesh.faces) for solid in made.solids) < MOST_TRIANGLES
    for solid in made.solids:
        assert not solid.marks
        assert np.isfinite(solid.mesh.vertices).all()
        assert solid.mesh.faces.min() >= 0
        assert solid.mesh.faces.max() < len(solid.mesh.vertices)
        assert len(solid.mesh.uv) == len(solid.mesh.vertices)
        assert solid.mesh.vertices[:, 2].min() >= made.floor - 1e-6
        albedo = np.asarray(solid.finish.albedo)
        assert albedo.min() >= 0
        assert albedo.max() <= 1


@pytest.mark.parametrize("family", THINGS)
def test_bodies_cover_what_the_sketch_draws(family: str) -> None:
    """Seen from straight above, bodies and sketch have the same outline."""
    recipe = _recipe(family, 5)
    side = 2 * RASTER
    # A fuse's glass is half transparent in the sketch.
    drawn = np.maximum.reduce([piece.alpha for piece in draw_design(recipe.design, side, 5).slices]) > 0.4
    seen = np.zeros((side, side), np.uint8)
    for solid in make_thing(recipe.design, side, 5):
        corners = (solid.mesh.vertices[solid.mesh.faces][..., :2] + 1) * side / 2 - 0.5
        for corner in np.round(corners * 16).astype(np.int32):
            cv2.fillConvexPoly(seen, corner, 1, cv2.LINE_8, 4)
    # A coil stands for strokes, a cable is eased: those agree less than pieces with an outline.
    least = 0.5 if family in ("spring_side", "cable", "spring_end") else 0.8
    shown = seen > 0
    share = float((drawn & shown).sum() / (drawn | shown).sum())
    assert share > least


def test_plate_is_as_large_and_round_as_its_outline() -> None:
    made = plate(_disc(0.6), 0.2, -0.1, 0.05, 60)
    assert made is not None
    radii = np.hypot(*made.vertices[:, :2].T)
    assert radii.max() == pytest.approx(0.6, abs=0.012)
    wall = radii[made.vertices[:, 2] < -0.05]
    assert wall.min() > 0.585
    assert made.vertices[:, 2].max() == pytest.approx(0.25, abs=1e-3)
    assert made.vertices[:, 2].min() == pytest.approx(-0.1)


def test_plate_of_nothing_is_none() -> None:
    assert plate(np.zeros((64, 64), np.uint8), 0.0, -0.1, 0.0) is None


def test_rounding_rises_to_its_radius_and_stays() -> None:
    rise = rounding(np.array([0.0, 0.05, 0.1, 0.3], np.float32), 0.1)
    np.testing.assert_allclose(rise, [0, 0.1 * np.sqrt(0.75), 0.1, 0.1], atol=1e-6)


def test_drive_of_a_bolt_head_is_a_hole() -> None:
    rng = np.random.default_rng(0)
    heads = [sample_design("bolt_head", "", rng) for _ in range(12)]
    dug = next(design for design in heads if any(layer["metal"] == 0 for layer in design["layers"]))
    top = max(float(layer["z"]) for layer in dug["layers"] if layer["metal"] > 0)
    middle = [
        solid.mesh.vertices[np.hypot(*solid.mesh.vertices[:, :2].T) < 0.05, 2].max(initial=-9)
        for solid in make_thing(dug, RASTER, 1)
    ]
    assert max(middle) < top - 0.1


def test_same_recipe_gives_the_same_bodies() -> None:
    one, two = model(_recipe("coin"), RASTER), model(_recipe("coin"), RASTER)
    for first, second in zip(one.solids, two.solids, strict=True):
        np.testing.assert_array_equal(first.mesh.vertices, second.mesh.vertices)
        np.testing.assert_array_equal(first.finish.albedo, second.finish.albedo)
