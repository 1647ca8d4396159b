"""The drawn electrode: same recipe, same drawing; its truth agrees with form that is known beforehand."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from wearvision_training.designs.electrode import FAMILIES, sample_design
from wearvision_training.designs.electrode_fittings import CLEAR_DIAMETERS
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.drawing import Drawing
from wearvision_training.sketch.electrode import draw
from wearvision_training.sketch.electrode_deposit import gap_ends, longest_run
from wearvision_training.wear.electrode import (
    NEW,
    NO_TIP,
    TIP_KINDS,
    polyline_length,
    sample_tip,
    sample_wear,
    width_loss,
)

SIZE = 300
AREA_TOLERANCE = 0.0015  # antialiased cover against a count of whole pixels at 300 pixels
PIXEL = 2 / SIZE


def recipe_of(family: str, seed: int, wear: dict[str, Any] | None = None) -> Recipe:
    rng = np.random.default_rng(seed)
    design = sample_design(family, "side", rng)
    worn = sample_wear(design, "side", rng) if wear is None else {**NEW, **wear}
    return Recipe("electrode", "side", family, design, worn, seed=seed)


def mask_of(drawing: Drawing, name: str) -> np.ndarray:
    found = [piece.masks[name] for piece in drawing.slices if name in piece.masks]
    return np.logical_or.reduce(found) if found else np.zeros((SIZE, SIZE), bool)


def silhouette(drawing: Drawing) -> np.ndarray:
    return np.maximum.reduce([piece.alpha for piece in drawing.slices])


def test_families_are_at_least_twelve_and_distinct() -> None:
    assert len(set(FAMILIES)) == len(FAMILIES) >= 12


@pytest.mark.parametrize("family", FAMILIES)
def test_new_part_of_any_family_has_no_wear_and_fits_the_plane(family: str) -> None:
    drawing = draw(recipe_of(family, 3, {}), SIZE)
    assert dict(drawing.measures) == {"bridge": 0.0, "crack_ratio": 0.0, "chip_ratio": 0.0, "tip_loss": 0.0}
    for worn in ("residue", "bridge", "crack", "chip"):
        assert not mask_of(drawing, worn).any()
    rows, columns = np.nonzero(silhouette(drawing) > 0.5)
    span = max(np.ptp(rows), np.ptp(columns)) + 1
    assert 0.78 <= span / SIZE <= 0.97
    assert mask_of(drawing, "rod").sum() > 30
    assert mask_of(drawing, "ceramic").sum() > mask_of(drawing, "rod").sum()


@pytest.mark.parametrize("family", FAMILIES)
def test_worn_part_of_any_family_keeps_masks_inside_and_values_sane(family: str) -> None:
    for seed in (1, 2):
        drawing = draw(recipe_of(family, seed), SIZE)
        part = silhouette(drawing) > 0.4
        solid = mask_of(drawing, "rod") | mask_of(drawing, "ceramic")
        for name in ("ceramic", "rod", "residue", "bridge", "crack"):
            assert not (mask_of(drawing, name) & ~part).any(), name
        assert not (mask_of(drawing, "residue") & ~solid).any()
        assert not (mask_of(drawing, "crack") & ~mask_of(drawing, "ceramic")).any()
        assert not (mask_of(drawing, "chip") & solid).any()
        for piece in drawing.slices:
            assert piece.alpha.shape == (SIZE, SIZE)
            assert piece.alpha.dtype == piece.albedo.dtype == np.float32
            assert np.isfinite(piece.albedo).all()
            assert np.isfinite(piece.height).all()
            assert piece.alpha.min() >= 0
            assert piece.alpha.max() <= 1


@pytest.mark.parametrize("family", FAMILIES)
def test_two_insulator_diameters_of_ceramic_stay_clear_of_hardware(family: str) -> None:
    for seed in range(10):
        design = sample_design(family, "side", np.random.default_rng(seed))
        for body in design["ceramics"]:
            low, high = body["clear"]
            assert (high - low) / design["insulator_diameter"] >= CLEAR_DIAMETERS - 0.06


def test_same_recipe_gives_same_bytes_also_after_json() -> None:
    recipe = recipe_of("twin_splayed", 11)
    again = Recipe.from_json(recipe.to_json())
    first, second = draw(recipe, SIZE), draw(again, SIZE)
    assert first.measures == second.measures
    assert json.dumps(first.notes) == json.dumps(second.notes)
    for a, b in zip(first.slices, second.slices, strict=True):
        assert np.array_equal(a.alpha, b.alpha)
        assert np.array_equal(a.albedo, b.albedo)
        assert all(np.array_equal(a.masks[name], b.masks[name]) for name in a.masks)


def test_drawing_leaves_the_recipe_as_it_was() -> None:
    recipe = recipe_of("block_twin", 5)
    before = recipe.to_json()
    draw(recipe, SIZE)
    assert recipe.to_json() == before


def test_unknown_family_or_view_is_refused() -> None:
    with pytest.raises(ValueError, match="no electrode family 'spiral'"):
        sample_design("spiral", "side", np.random.default_rng(0))
    with pytest.raises(ValueError, match="'side' only"):
        sample_design("lone_bent", "end", np.random.default_rng(0))


@pytest.mark.parametrize(("end_width", "reach"), [(0.2, 2.0), (0.5, 4.0), (0.9, 1.0)])
def test_tapered_tip_loses_what_the_trapezium_says(end_width: float, reach: float) -> None:
    tip = {**NO_TIP, "kind": "taper", "severity": 1 - end_width, "reach": reach}
    # Over the last radius the width runs from end_width to end_width + (1 - end_width) / reach.
    mean = end_width + (1 - end_width) / reach / 2
    assert width_loss(tip) == pytest.approx(1 - mean, abs=1e-4)


def test_round_nose_of_one_radius_loses_what_the_half_disc_says() -> None:
    tip = {**NO_TIP, "kind": "round", "severity": 0.5, "reach": 2.0}
    assert width_loss(tip) == pytest.approx(1 - np.pi / 4, abs=1e-3)


@pytest.mark.parametrize("kind", TIP_KINDS)
def test_tip_loss_grows_with_severity_from_none(kind: str) -> None:
    losses = [width_loss({**NO_TIP, "kind": kind, "severity": q, "reach": 3.0}) for q in (0.0, 0.2, 0.5, 0.9)]
    assert losses[0] == 0.0
    assert losses == sorted(losses)
    assert losses[-1] > 0.3


def test_sampled_tip_reaches_the_loss_it_was_asked_for() -> None:
    tips = [sample_tip(0.25, np.random.default_rng(seed)) for seed in range(30)]
    assert np.median([abs(tip["loss"] - 0.25) for tip in tips]) < 0.01


def test_worse_rod_of_a_pair_counts() -> None:
    tips = [{**NO_TIP, "kind": "thin", "severity": q} for q in (0.2, 0.6)]
    drawing = draw(recipe_of("twin_parallel", 4, {"tips": tips}), SIZE)
    assert drawing.measures["tip_loss"] == pytest.approx(width_loss(tips[1]))


def test_drawn_tip_has_the_width_that_the_truth_says() -> None:
    """Counted in pixels on a straight rod along x, whose end is at the largest column."""
    new = recipe_of("lone_straight", 6, {})
    radius = new.design["rods"][0]["radius"]
    tip = {**NO_TIP, "kind": "taper", "severity": 0.6, "reach": 4.0}
    size = 900
    masks = [
        draw(Recipe("electrode", "side", "lone_straight", new.design, {**NEW, "tips": [t]}, seed=6), size)
        for t in (NO_TIP, tip)
    ]
    areas = []
    for drawing in masks:
        rod = next(piece.alpha for piece in drawing.slices if "rod" in piece.masks)
        end = drawing.notes["tips"][0][0]
        last = slice(round((end - radius + 1) * size / 2), None)
        areas.append(float(rod[:, last].sum()))
    assert 1 - areas[1] / areas[0] == pytest.approx(width_loss(tip), abs=0.03)


def crack_of(design: dict[str, Any], ratio: float) -> dict[str, Any]:
    high, length = design["ceramics"][0]["clear"][1], ratio * design["insulator_diameter"]
    start = high - length - 0.2 * design["insulator_diameter"]
    crack = {"ceramic": 0, "points": [[start, 0.0], [start + length, 0.0]], "branch": [], "width": 0.01}
    return {**crack, "dark": 0.1, "stain": 0.0, "light": 0.0, "clear": True}


@pytest.mark.parametrize("ratio", [0.3, 0.8, 1.5])
def test_crack_ratio_is_polyline_length_over_diameter(ratio: float) -> None:
    design = recipe_of("lone_straight", 8, {}).design
    recipe = recipe_of("lone_straight", 8, {"cracks": [crack_of(design, ratio)]})
    drawing = draw(recipe, SIZE)
    trace = np.asarray(drawing.notes["trace"][0])
    assert polyline_length(trace) / design["insulator_diameter"] == pytest.approx(ratio)
    assert drawing.measures["crack_ratio"] == pytest.approx(ratio, abs=1e-6)
    along = np.ptp(np.nonzero(mask_of(drawing, "crack"))[1]) * PIXEL
    assert along / design["insulator_diameter"] == pytest.approx(ratio, abs=3 * PIXEL / design["insulator_diameter"])


def test_longest_run_counts_only_what_is_visible() -> None:
    line = np.array([[-0.5, 0.0], [0.5, 0.0]])
    visible = np.ones((SIZE, SIZE), bool)
    assert longest_run(line, visible, SIZE) == pytest.approx(1.0)
    visible[:, SIZE // 2 - 30 : SIZE // 2] = False
    assert longest_run(line, visible, SIZE) == pytest.approx(0.5, abs=2 * PIXEL)
    assert longest_run(line, ~np.ones_like(visible), SIZE) == 0.0


def test_chip_ratio_is_area_missing_from_the_new_outline() -> None:
    design = recipe_of("lone_straight", 9, {}).design
    d, high = design["insulator_diameter"], design["ceramics"][0]["clear"][1]
    chip = {"ceramic": 0, "at": high - d, "side": 1.0, "length": 0.3 * d, "depth": 0.12 * d, "ragged": 0.1}
    chip |= {"bevel": 0.2, "colour": [0.8, 0.8, 0.75]}
    new, worn = (draw(recipe_of("lone_straight", 9, wear), SIZE) for wear in ({}, {"chip": chip}))
    before, after = mask_of(new, "ceramic"), mask_of(worn, "ceramic")
    counted = (before & ~after).sum() / before.sum()
    assert counted > 0.01
    assert worn.measures["chip_ratio"] == pytest.approx(counted, abs=AREA_TOLERANCE)
    assert mask_of(worn, "chip").sum() == pytest.approx((before & ~after).sum(), rel=0.05)


@pytest.mark.parametrize("cover", [0.05, 0.3, 0.7])
def test_residue_covers_about_its_share(cover: float) -> None:
    residue = {"kind": "crust", "cover": cover, "colour": [0.02] * 3, "opacity": 1.0, "lean": 1.5, "grain": 8.0}
    residue |= {"stretch": 1.0, "soft": 0.05, "fray": 0.1, "relief": 0.01, "streak": 0.0}
    drawing = draw(recipe_of("twin_nozzle", 10, {"residue": residue}), SIZE)
    solid = mask_of(drawing, "rod") | mask_of(drawing, "ceramic")
    assert mask_of(drawing, "residue").sum() / solid.sum() == pytest.approx(cover, abs=0.02)


@pytest.mark.parametrize(("fraction", "bridged"), [(0.1, 0.0), (0.5, 1.0), (1.0, 1.0)])
def test_growth_bridges_from_a_quarter_of_the_gap(fraction: float, bridged: float) -> None:
    growth = {"fraction": fraction, "girth": 0.6, "lumps": 9, "wander": 0.0, "start": 0, "shade": 0.02}
    recipe = recipe_of("twin_parallel", 12, {"growth": growth})
    drawing = draw(recipe, SIZE)
    assert drawing.measures["bridge"] == bridged
    assert mask_of(drawing, "bridge").any() == bool(bridged)
    start, end = gap_ends(recipe.design, recipe.wear)
    # Along the line between the rods the carbon ends where its fraction of the gap does.
    at = start + np.linspace(0.02, 0.98, 200)[:, None] * (end - start)
    rows, columns = ((at[:, ::-1] + 1) * SIZE / 2).astype(int).T
    filled = (silhouette(drawing)[rows, columns] > 0.5).mean()
    gap_px = float(np.hypot(*(end - start))) / PIXEL
    assert filled == pytest.approx(fraction, abs=2.5 / gap_px + 0.05)


def test_wear_spans_its_limits_and_leaves_a_good_share_as_new() -> None:
    rng = np.random.default_rng(0)
    wears = []
    for k in range(400):
        design = sample_design(FAMILIES[k % len(FAMILIES)], "side", rng)
        wears.append(sample_wear(design, "side", rng))
    losses = np.array([max(tip["loss"] for tip in wear["tips"]) for wear in wears])
    assert min((losses < 0.15).mean(), ((losses > 0.15) & (losses < 0.35)).mean(), (losses > 0.35).mean()) > 0.04
    covers = np.array([0 if wear["residue"] is None else wear["residue"]["cover"] for wear in wears])
    assert (covers < 0.05).mean() > 0.3
    assert (covers > 0.1).mean() > 0.2
    sound = [not w["cracks"] and w["chip"] is None and w["growth"] is None for w in wears]
    assert 0.3 < np.mean(sound & (losses < 0.15) & (covers < 0.05)) < 0.6


@pytest.mark.parametrize("family", [f for f in FAMILIES if f.startswith(("twin", "block")) or "nozzle" in f])
def test_new_rods_keep_a_gap_to_their_partner(family: str) -> None:
    for seed in range(15):
        design = sample_design(family, "side", np.random.default_rng(seed))
        start, end = gap_ends(design, NEW)
        assert np.hypot(*(end - start)) > 0.6 * design["rods"][0]["radius"]
