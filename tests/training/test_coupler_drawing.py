"""The coupler's drawer: what it draws is what its record says, and the record is the truth."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from wearvision_training.designs.coupler import FAMILIES, sample_design
from wearvision_training.designs.coupler_axis import STATIONS, bow_shape, side_form, side_measures
from wearvision_training.designs.coupler_form import (
    ANGLES,
    SAMPLES,
    corner_angles,
    crack_path,
    deformation_curve,
    end_form,
    end_measures,
    path_length,
    socket_curve,
)
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.coupler import draw
from wearvision_training.sketch.coupler_surface import cover, edge_of, grid, lines
from wearvision_training.wear.coupler import sample_wear

SIZE = 128
VIEWS = ("end", "side")
CURVE = 1e-6
NEW: dict[str, Any] = {"harmless": {"scratches": 0, "specks": 0.0, "drops": 0, "stress": 0.0}}
SQUARE = {"kind": "square", "turn": 0.3, "a": 0.3, "outer": 0.3 * math.sqrt(2), "fillet": 0.0,
          "depth": 0.3, "bore": 0.0}  # fmt: skip
SPLINES = {"kind": "splined", "turn": 0.3, "outer": 0.4, "tip": 0.3, "count": 8, "width": 0.45, "flank": 0.1,
           "depth": 0.3, "bore": 0.0}  # fmt: skip


def _recipe(family: str, view: str, seed: int, wear: dict[str, Any] | None = None) -> Recipe:
    rng = np.random.default_rng(seed)
    design = sample_design(family, view, rng)
    return Recipe("coupler", view, family, design, sample_wear(design, view, rng) if wear is None else wear, seed=seed)


def _end(socket: dict[str, Any]) -> dict[str, Any]:
    return {"outline": {"kind": "round", "radius": 0.8}, "socket": socket}


def _area(curve: np.ndarray) -> float:
    """Area inside r(theta)."""
    return float((curve**2).sum() * math.pi / SAMPLES)


def test_families_are_a_dozen_or_more_and_named_once() -> None:
    assert len(FAMILIES) >= 12
    assert len(set(FAMILIES)) == len(FAMILIES)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("family", FAMILIES)
def test_draw_of_every_family_gives_sound_slices_and_truth(family: str, view: str) -> None:
    drawing = draw(_recipe(family, view, 11), SIZE)
    heights = [piece.z for piece in drawing.slices]
    assert heights == sorted(heights)
    for piece in drawing.slices:
        assert piece.alpha.dtype == piece.albedo.dtype == np.float32
        assert piece.alpha.shape == (SIZE, SIZE)
        assert piece.albedo.shape == (SIZE, SIZE, 3)
        assert piece.alpha.min() >= 0
        assert piece.alpha.max() <= 1
        assert piece.albedo.min() >= 0
        assert piece.albedo.max() <= 1
        assert piece.height is None or np.isfinite(piece.height).all()
        for name, mask in piece.masks.items():
            assert mask.dtype == bool
            # An outline that counts as whole may span a hole; anything else lies on its own slice.
            assert name in piece.through or (piece.alpha[mask] > 0).all()
    assert all(np.isfinite(v) and v >= 0 for v in drawing.measures.values())
    assert not any(piece.alpha[[0, -1]].any() or piece.alpha[:, [0, -1]].any() for piece in drawing.slices)
    json.dumps(dict(drawing.notes))


@pytest.mark.parametrize("view", VIEWS)
def test_masks_lie_inside_the_part(view: str) -> None:
    for seed in range(20, 32):
        drawing = draw(_recipe(FAMILIES[seed % len(FAMILIES)], view, seed), SIZE)
        part = np.maximum.reduce([piece.alpha for piece in drawing.slices]) >= 0.5
        for piece in drawing.slices:
            for mask in piece.masks.values():
                assert not (mask & ~part).any()


@pytest.mark.parametrize("view", VIEWS)
def test_same_recipe_through_json_gives_the_same_drawing(view: str) -> None:
    recipe = _recipe("two_tone_dog", view, 5)
    again = Recipe.from_json(recipe.to_json())
    assert again == recipe
    one, two = draw(recipe, SIZE), draw(again, SIZE)
    assert one.measures == two.measures
    assert one.notes == two.notes
    for a, b in zip(one.slices, two.slices, strict=True):
        assert np.array_equal(a.albedo, b.albedo)
        assert np.array_equal(a.alpha, b.alpha)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("family", FAMILIES)
def test_part_as_new_has_no_wear_whatever_harmless_marks_it_has(family: str, view: str) -> None:
    wear = {"harmless": {"scratches": 5, "specks": 0.004, "drops": 4, "stress": 0.1}}
    drawing = draw(_recipe(family, view, 3, wear), SIZE)
    assert set(drawing.measures.values()) == {0.0}
    assert not {"grime", "crack"} & {name for piece in drawing.slices for name in piece.masks}


@pytest.mark.parametrize(("socket", "present", "absent"), [
    (SQUARE, "corner_rounding", "tooth_loss"),
    (SPLINES, "tooth_loss", "corner_rounding"),
])  # fmt: skip
def test_measure_that_the_socket_cannot_have_is_left_out(socket: dict[str, Any], present: str, absent: str) -> None:
    measures = end_measures(end_form(_end(socket), {}), _end(socket), {})
    assert present in measures
    assert absent not in measures


def test_profile_deviation_of_a_pure_wave_is_its_amplitude() -> None:
    wear = {"deform": {"ratio": 0.07, "waves": [{"order": 3, "amount": 1.0, "phase": 0.4}], "bumps": []}}
    form = end_form(_end(SQUARE), wear)
    assert np.allclose(form.outline, 0.8 * (1 + 0.07 * np.cos(3 * ANGLES - 0.4)), atol=1e-6)
    assert end_measures(form, _end(SQUARE), wear)["profile_deviation"] == pytest.approx(0.07, abs=1e-6)


def test_deformation_of_a_dent_reaches_its_ratio_inwards() -> None:
    bump = {"at": 3.1, "width": 0.2, "amount": -0.5}
    curve = deformation_curve({"deform": {"ratio": 0.1, "waves": [], "bumps": [bump]}})
    assert curve.min() == pytest.approx(-0.1)
    assert curve.max() <= 0


@pytest.mark.parametrize("rounding", [0.1, 0.3, 0.6])
def test_square_socket_loses_the_area_of_four_fillets(rounding: float) -> None:
    sharp, worn = socket_curve(SQUARE, {}), socket_curve(SQUARE, {"corners": [rounding] * 4})
    radius = rounding * SQUARE["a"]
    assert _area(sharp) - _area(worn) == pytest.approx((4 - math.pi) * radius**2, rel=0.01)


@pytest.mark.parametrize(("kind", "corners"), [("d", 2), ("double_d", 4), ("square", 4), ("hexagon", 6)])
def test_rounding_moves_the_worn_corner_only_and_keeps_the_flat(kind: str, corners: int) -> None:
    apothem = {"square": 0.3, "hexagon": 0.35}.get(kind, 0.25)
    socket = SQUARE | {"kind": kind, "a": apothem, "outer": 0.4}
    worn = [0.4] + [0.0] * (corners - 1)
    change = socket_curve(socket, {}) - socket_curve(socket, {"corners": worn})
    assert (change >= -CURVE).all()
    moved = np.abs((ANGLES - corner_angles(socket)[0] + math.pi) % (2 * math.pi) - math.pi)[change > CURVE]
    assert len(moved) > 0
    assert moved.max() < 0.6
    assert socket_curve(socket, {"corners": worn}).min() == pytest.approx(apothem, abs=1e-4)


def test_moulded_fillet_is_not_wear() -> None:
    design = _end(SQUARE | {"fillet": 0.05})
    assert end_measures(end_form(design, {}), design, {})["corner_rounding"] == 0.0


@pytest.mark.parametrize("loss", [0.2, 0.55, 1.0])
def test_tooth_loss_lowers_the_worst_tooth_by_its_ratio(loss: float) -> None:
    teeth = [{"tooth": 2, "ratio": loss, "slant": 0.4}, {"tooth": 5, "ratio": 0.3 * loss, "slant": 0.0}]
    curve = socket_curve(SPLINES, {"teeth": teeth})
    off = (ANGLES - SPLINES["turn"] - 2 * 2 * math.pi / 8 + math.pi) % (2 * math.pi) - math.pi
    height = 0.4 - curve[np.abs(off) < math.pi / 8].min()
    assert height == pytest.approx((1 - loss) * 0.1, abs=0.004)
    wear = {"teeth": teeth}
    assert end_measures(end_form(_end(SPLINES), wear), _end(SPLINES), wear)["tooth_loss"] == loss


def test_crack_ratio_is_the_polyline_over_the_wall() -> None:
    crack = {"ratio": 0.6, "corner": 1, "wander": 0.1, "width": 0.01, "contrast": 1.0, "seed": 7}
    wear = NEW | {"cracks": [crack, crack | {"ratio": 0.3, "corner": 2}]}
    recipe = _recipe("hex_bar", "end", 4, wear)
    drawing = draw(recipe, SIZE)
    wall = drawing.notes["wall"]
    trace = np.asarray(drawing.notes["trace"])
    steps = sum(math.dist(a, b) for a, b in pairwise(trace))
    assert drawing.measures["crack_ratio"] == pytest.approx(steps / wall)
    assert wall == pytest.approx(recipe.design["outline"]["radius"] - end_form(recipe.design, {}).moulded.mean())


def test_crack_runs_from_the_socket_for_its_length_and_stays_in_the_wall() -> None:
    design = _end(SQUARE)
    form = end_form(design, {})
    for seed in range(12):
        crack = {"ratio": 0.7, "corner": seed, "wander": 0.1, "seed": seed}
        path = crack_path(crack, SQUARE, form.opening, form.outline, form.wall)
        assert math.hypot(*path[0]) == pytest.approx(SQUARE["outer"], abs=0.002)
        assert (np.hypot(*path.T) <= 0.8).all()
        assert path_length(path) <= 0.7 * form.wall + CURVE


@pytest.mark.parametrize("kind", ["arc", "wave", "kink"])
@pytest.mark.parametrize("ratio", [0.005, 0.02, 0.1])
def test_bow_ratio_is_the_parameter(kind: str, ratio: float) -> None:
    design = sample_design("plain_sleeve", "side", np.random.default_rng(1))
    form = side_form(design, {"bow": {"kind": kind, "ratio": ratio, "sign": -1.0, "at": 0.4}})
    assert side_measures(form)["bow_ratio"] == pytest.approx(ratio, rel=0.01)
    assert np.allclose(np.interp(form.chord, STATIONS, form.bend), 0, atol=2e-3)


def test_bow_moves_the_drawn_silhouette_by_its_offset() -> None:
    wear = NEW | {"bow": {"kind": "arc", "ratio": 0.06, "sign": 1.0}}
    recipe = _recipe("plain_sleeve", "side", 1, wear)
    drawing = draw(recipe, 256)
    first, last = drawing.notes["chord"]
    alpha = drawing.slices[-1].alpha
    rows = grid(256).y[:, 0]
    middle = (alpha * rows[:, None]).sum(0) / np.maximum(alpha.sum(0), 1e-6)
    column = [round((s + 1) * 128 - 0.5) for s in (first, (first + last) / 2, last)]
    offset = middle[column[1]] - (middle[column[0]] + middle[column[2]]) / 2
    assert offset == pytest.approx(0.06 * (last - first), abs=0.006)


@pytest.mark.parametrize("family", FAMILIES)
def test_strong_bow_keeps_the_part_on_the_plane(family: str) -> None:
    wear = NEW | {"bow": {"kind": "arc", "ratio": 0.11, "sign": 1.0}}
    drawing = draw(_recipe(family, "side", 2, wear), SIZE)
    assert drawing.measures["bow_ratio"] == pytest.approx(0.11, rel=0.01)
    alpha = np.maximum.reduce([piece.alpha for piece in drawing.slices])
    assert not alpha[[0, -1]].any()
    assert not alpha[:, [0, -1]].any()


def test_bow_kind_unknown_is_refused() -> None:
    with pytest.raises(ValueError, match="arc, wave or kink"):
        bow_shape("spiral", STATIONS, 0.5)


def test_side_crack_is_its_length_over_the_outer_diameter() -> None:
    crack = {"ratio": 0.4, "at": 0.3, "around": 0.0, "lean": 0.3, "wander": 0.0, "width": 0.01,
             "contrast": 1.0, "seed": 2}  # fmt: skip
    drawing = draw(_recipe("plain_sleeve", "side", 1, NEW | {"cracks": [crack]}), SIZE)
    trace = np.asarray(drawing.notes["trace"])
    assert drawing.measures["crack_ratio"] == pytest.approx(path_length(trace) / drawing.notes["outer_diameter"])
    assert drawing.measures["crack_ratio"] == pytest.approx(0.4, abs=0.02)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("area", [0.04, 0.2, 0.7])
def test_grime_covers_the_area_asked_for(view: str, area: float) -> None:
    rng = np.random.default_rng(8)
    design = sample_design("plain_sleeve", view, rng)
    wear = next(w for w in (sample_wear(design, view, rng) for _ in range(200)) if "grime" in w)
    drawing = draw(_recipe("plain_sleeve", view, 1, NEW | {"grime": wear["grime"] | {"area": area}}), 256)
    top = drawing.slices[-1]
    part = top.masks["grime"].sum() / (drawing.slices[-2].alpha >= 0.5).sum()
    assert part == pytest.approx(area, abs=0.05 + 0.15 * area)


def test_face_is_the_whole_outline_and_the_socket_its_opening() -> None:
    recipe = _recipe("plain_sleeve", "end", 1, NEW)
    front = draw(recipe, 256).slices[-1]
    form = end_form(recipe.design, {})
    assert front.through == {"face", "socket"}
    assert front.masks["face"].sum() * (2 / 256) ** 2 == pytest.approx(_area(form.nominal), rel=0.01)
    assert front.masks["socket"].sum() * (2 / 256) ** 2 == pytest.approx(_area(form.opening), rel=0.02)
    assert front.alpha[128, 128] == 0.0


def test_polar_cover_keeps_the_area_of_a_toothed_curve() -> None:
    at, curve = grid(256), socket_curve(SPLINES, {})
    drawn = cover(edge_of(curve, at).distance(at))
    assert drawn.sum() * at.pixel**2 == pytest.approx(_area(curve), rel=0.01)


def test_lines_cover_length_times_width() -> None:
    drawn = lines([np.array([[-0.5, 0.1], [0.5, 0.1]])], 0.04, 256)
    assert drawn.sum() * (2 / 256) ** 2 == pytest.approx(0.04 * 1.0, rel=0.2)


def test_wear_spreads_over_new_and_every_band() -> None:
    rng = np.random.default_rng(0)
    design = sample_design("ribbed_drum", "end", rng)
    wears = [sample_wear(design, "end", rng) for _ in range(400)]
    fresh = sum(len(w) == 1 for w in wears) / len(wears)
    assert 0.15 < fresh < 0.4
    rounding = np.array([max(w["corners"]) for w in wears if "corners" in w])
    assert (rounding < 0.15).sum() > 15
    assert ((rounding >= 0.15) & (rounding <= 0.3)).sum() > 10
    assert (rounding > 0.3).sum() > 40


@pytest.mark.parametrize(("family", "view", "said"), [("no_such", "end", "family"), ("hex_bar", "top", "view")])
def test_unknown_family_or_view_is_refused(family: str, view: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        sample_design(family, view, np.random.default_rng(0))


def test_draw_of_an_unknown_view_is_refused() -> None:
    with pytest.raises(ValueError, match="'end' or 'side'"):
        draw(Recipe("coupler", "face", "hex_bar", {}, {}), SIZE)
