"""Flame-sensing cells of the sketch studio: records, truth and drawings."""

from __future__ import annotations

import json

import numpy as np
import pytest

from wearvision_training.designs.flame_cell import EXTENT, FAMILIES, sample_design
from wearvision_training.designs.flame_cell_element import element_lines
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.drawing import Drawing
from wearvision_training.sketch.flame_cell import draw
from wearvision_training.wear.flame_cell import (
    ANGLES,
    NO_WEAR,
    rim_deviation,
    rim_offsets,
    sample_wear,
    scaled_rim,
    visible_length,
)

SIZE = 128
MASKS = {"window", "rim", "crack", "scorch"}


def recipe_of(family: str, seed: int, wear: dict | None = None) -> Recipe:
    rng = np.random.default_rng([seed, FAMILIES.index(family)])
    design = sample_design(family, "face", rng)
    worn = sample_wear(design, "face", rng) if wear is None else wear
    return Recipe("flame_cell", "face", family, design, worn, seed=seed)


def masks_of(drawing: Drawing) -> dict[str, np.ndarray]:
    return {name: mask for piece in drawing.slices for name, mask in piece.masks.items()}


def straight_crack(points: list[list[float]]) -> dict:
    return {
        "kind": "straight", "points": points, "branches": [], "width": 0.015,
        "dark": 0.9, "glint": 0.5, "glint_angle": 1.0,
    }  # fmt: skip


def test_families_are_enough_and_differ():
    assert len(FAMILIES) >= 12
    assert len(set(FAMILIES)) == len(FAMILIES)


@pytest.mark.parametrize("family", FAMILIES)
def test_draw_every_family_worn_is_sound(family):
    for seed in range(3):
        recipe = recipe_of(family, seed)
        drawing = draw(recipe, SIZE)
        cover = np.maximum.reduce([piece.alpha for piece in drawing.slices])
        masks = masks_of(drawing)
        assert set(masks) == MASKS
        for piece in drawing.slices:
            assert piece.alpha.dtype == piece.albedo.dtype == np.float32
            assert 0 <= piece.alpha.min() <= piece.alpha.max() <= 1
            assert np.isfinite(piece.albedo).all()
            assert 0 <= piece.albedo.min() <= piece.albedo.max() <= 1.2
            assert piece.height is None or np.isfinite(piece.height).all()
        for mask in masks.values():
            assert not (mask & (cover < 0.5)).any(), "a mask marks what the part does not cover"
        assert masks["window"].sum() > 200
        assert not (masks["crack"] & ~masks["window"]).any()
        assert not (masks["scorch"] & ~masks["window"]).any()
        heights = [piece.z for piece in drawing.slices]
        assert heights == sorted(heights)
        assert drawing.veil is not None
        assert max(heights) > drawing.veil.z
        edge = np.concatenate([cover[0], cover[-1], cover[:, 0], cover[:, -1]])
        assert edge.max() == 0, "the part runs off its plane"


@pytest.mark.parametrize("family", FAMILIES[::4])
def test_draw_same_recipe_gives_same_drawing_and_survives_json(family):
    recipe = recipe_of(family, 7)
    again = Recipe.from_json(recipe.to_json())
    assert again == recipe
    first, second = draw(recipe, SIZE), draw(again, SIZE)
    assert first.measures == second.measures
    for one, other in zip(first.slices, second.slices, strict=True):
        np.testing.assert_array_equal(one.alpha, other.alpha)
        np.testing.assert_array_equal(one.albedo, other.albedo)
    np.testing.assert_array_equal(first.veil.film, second.veil.film)
    assert json.loads(json.dumps(first.notes)) == first.notes


def test_sample_design_same_generator_state_gives_same_record():
    for family in FAMILIES:
        assert sample_design(family, "face", np.random.default_rng(3)) == sample_design(
            family, "face", np.random.default_rng(3)
        )


@pytest.mark.parametrize("family", FAMILIES)
def test_draw_unworn_has_no_wear(family):
    drawing = draw(recipe_of(family, 1, NO_WEAR), SIZE)
    masks = masks_of(drawing)
    assert drawing.measures == {"crack_ratio": 0.0, "rim_deviation": 0.0}
    assert drawing.notes["trace"] == []
    assert not masks["crack"].any()
    assert not masks["scorch"].any()
    assert drawing.veil.film.max() == drawing.veil.haze.max() == 0


@pytest.mark.parametrize("order", [2, 3, 4, 5, 9])
@pytest.mark.parametrize("size", [0.004, 0.03, 0.12])
def test_rim_deviation_of_a_pure_wave_is_its_height(order, size):
    """A wave of order 2 or more leaves the circle's centre and radius alone, to first order in its height."""
    rim = {"waves": [{"order": order, "size": size, "angle": 0.7}], "bumps": [], "browned": 0.0}
    assert rim_deviation(rim) == pytest.approx(size, rel=0.02)


def test_rim_deviation_of_a_shifted_circle_is_nothing():
    """The first order is a shift of the centre, not a departure from a circle."""
    rim = {"waves": [{"order": 1, "size": 0.02, "angle": 0.3}], "bumps": [], "browned": 0.0}
    assert rim_deviation(rim) < 0.02**2


def test_rim_deviation_matches_an_independent_fit():
    optimize = pytest.importorskip("scipy.optimize")
    bump = {"angle": 2.0, "size": -0.13, "spread": 0.3}
    rim = {"waves": [{"order": 2, "size": 0.05, "angle": 0.2}], "bumps": [bump], "browned": 0.0}
    radii = 1 + rim_offsets(rim)
    x, y = radii * np.cos(ANGLES), radii * np.sin(ANGLES)
    fit = optimize.least_squares(lambda p: np.hypot(x - p[0], y - p[1]) - p[2], [0, 0, 1], xtol=1e-14, ftol=1e-14)
    assert rim_deviation(rim) == pytest.approx(np.abs(fit.fun).max() / fit.x[2], rel=1e-6)


def test_rim_deviation_grows_with_size():
    rim = {"waves": [], "bumps": [{"angle": 1.0, "size": -0.1, "spread": 0.25}], "browned": 0.0}
    values = [rim_deviation(scaled_rim(rim, factor)) for factor in (0.2, 0.5, 1.0, 1.8)]
    assert values == sorted(values)
    assert values[0] > 0


def test_rim_mask_has_the_outline_of_the_truth():
    """The drawn outline, fitted as a circle from its own pixels, departs as far as the record says."""
    rim = {"waves": [{"order": 3, "size": 0.1, "angle": 0.0}], "bumps": [], "browned": 0.0}
    recipe = recipe_of("domed-metal", 2, {**NO_WEAR, "rim": rim})
    drawing, radius = draw(recipe, 400), recipe.design["rim"]["outer"]
    mask = masks_of(drawing)["rim"]
    rows, columns = np.nonzero(mask)
    reach = np.hypot(columns - 199.5, rows - 199.5).max() / 200
    assert reach == pytest.approx(radius * 1.1, abs=0.01)
    assert mask.sum() / 200**2 == pytest.approx(np.pi * radius**2 * (1 + 0.1**2 / 2), rel=0.01)


def test_crack_ratio_of_a_whole_crack_is_its_length():
    crack = straight_crack([[-0.3, 0.1], [0.0, 0.1], [0.0, 0.5]])
    drawing = draw(recipe_of("flat-plastic", 4, {**NO_WEAR, "cracks": [crack]}), SIZE)
    assert drawing.measures["crack_ratio"] == pytest.approx((0.3 + 0.4) / 2, abs=0.002)
    assert masks_of(drawing)["crack"].any()


def test_crack_ratio_counts_only_what_the_window_shows():
    crack = straight_crack([[-3.0, 0.0], [3.0, 0.0]])
    drawing = draw(recipe_of("bevel-cup", 4, {**NO_WEAR, "cracks": [crack]}), SIZE)
    assert drawing.measures["crack_ratio"] == pytest.approx(1.0, abs=0.005)


def test_crack_ratio_takes_the_longest_and_leaves_branches_out():
    long = {**straight_crack([[-0.4, 0.0], [0.4, 0.0]]), "branches": [[[0.0, 0.0], [0.0, 0.3]]]}
    short = straight_crack([[-0.2, 0.6], [0.2, 0.6]])
    drawing = draw(recipe_of("plate-mount", 4, {**NO_WEAR, "cracks": [short, long]}), SIZE)
    assert drawing.measures["crack_ratio"] == pytest.approx(0.4, abs=0.002)
    trace = np.array(drawing.notes["trace"])
    assert np.linalg.norm(np.diff(trace, axis=0), axis=1).sum() > 0


def test_visible_length_takes_the_longest_unbroken_stretch():
    points = np.array([[0.0, 0.0], [10.0, 0.0]])
    assert visible_length(points, lambda p: np.abs(p[:, 0] - 4) > 1) == pytest.approx(5.0, abs=0.01)
    assert visible_length(points, lambda p: p[:, 0] < -1) == 0.0


@pytest.mark.parametrize("ratio", [0.01, 0.05, 0.3])
def test_scorch_covers_the_wanted_share(ratio):
    scorch = {
        "ratio": ratio, "blots": [{"at": [0.1, 0.2], "radius": 0.5}, {"at": [-0.4, 0.0], "radius": 0.3}],
        "tone": [0.03, 0.02, 0.01], "rough": 0.3, "blisters": 0.5, "fringe": 0.3,
    }  # fmt: skip
    masks = masks_of(draw(recipe_of("flat-plastic", 5, {**NO_WEAR, "scorch": scorch}), 256))
    assert masks["scorch"].sum() / masks["window"].sum() == pytest.approx(ratio, rel=0.03)


@pytest.mark.parametrize("kind", ["even", "patchy", "streaked", "ring", "edge", "side", "drops", "grain"])
@pytest.mark.parametrize("mean", [0.05, 0.4, 0.8])
def test_film_has_the_wanted_mean(kind, mean):
    film = {**NO_WEAR["film"], "kinds": [kind], "mean": mean}
    veil = draw(recipe_of("flat-plastic", 6, {**NO_WEAR, "film": film}), SIZE).veil
    assert veil.film[veil.window].mean() == pytest.approx(mean, abs=0.01)
    assert veil.film.max() <= 1


def test_sample_wear_spans_new_and_every_mode_on_both_sides_of_its_limits():
    seen: dict[str, list[float]] = {"film": [], "haze": [], "crack": [], "scorch": [], "rim": []}
    rng = np.random.default_rng(11)
    for index in range(400):
        design = sample_design(FAMILIES[index % len(FAMILIES)], "face", rng)
        wear = sample_wear(design, "face", rng)
        points = [np.array(crack["points"]) for crack in wear["cracks"]]
        lengths = [np.linalg.norm(np.diff(p, axis=0), axis=1).sum() / 2 for p in points]
        seen["film"].append(wear["film"]["mean"])
        seen["haze"].append(wear["haze"]["mean"])
        seen["crack"].append(max(lengths, default=0.0))
        seen["scorch"].append(wear["scorch"]["ratio"])
        seen["rim"].append(rim_deviation(wear["rim"]))
        dust = np.array(wear["film"]["radiance"]) / np.array(wear["haze"]["radiance"])
        assert dust.max() <= 0.5 + 1e-3, "brighter dust could not be told from clouding"
    limits = {"film": 0.15, "haze": 0.40, "crack": 0.15, "scorch": 0.05, "rim": 0.06}
    table = {mode: np.array(values) for mode, values in seen.items()}
    for mode, limit in limits.items():
        assert (table[mode] > limit).sum() >= 25, mode
        assert ((table[mode] > 0) & (table[mode] < limit)).sum() >= 12, mode
    worn = np.stack([table[mode] > 0.5 * limits[mode] for mode in limits]).any(0)
    assert 0.25 < 1 - worn.mean() < 0.55


@pytest.mark.parametrize("family", FAMILIES)
def test_element_lines_stay_on_the_element(family):
    rng = np.random.default_rng(5)
    for _ in range(10):
        for line in element_lines(sample_design(family, "face", rng)["element"]):
            assert np.hypot(*np.array(line).T).max() <= 1.0


def test_bases_and_leads_stay_inside_the_plane():
    rng = np.random.default_rng(8)
    for family in FAMILIES:
        design = sample_design(family, "face", rng)
        for plate in design["bases"]:
            assert max(np.abs(plate["centre"]) + np.array(plate["half"])) <= EXTENT + 1e-6
        for wire in design["leads"]:
            assert np.abs(wire["points"]).max() <= EXTENT
