"""The drawer of things that are not parts, and the studio's door to it."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.errors import UnknownPart
from wearvision.parts import region_names
from wearvision_training.designs.not_part import FAMILIES, THINGS, WEIGHTS, sample_design
from wearvision_training.recipe import Recipe
from wearvision_training.scenes.camera import FAULTS
from wearvision_training.sketch.not_part import draw_design, outline
from wearvision_training.studio import draw, sample_recipe

SIZE = 96


@pytest.mark.parametrize("family", FAMILIES)
def test_family_draws_a_picture_without_truth(family: str) -> None:
    recipe = sample_recipe("none", np.random.default_rng(7), families=[family])
    assert Recipe.from_json(recipe.to_json()) == recipe
    example = draw(recipe, SIZE)
    assert example.image.shape == (SIZE, SIZE, 3)
    assert example.image.dtype == np.uint8
    assert example.part == "none"
    assert example.view == ""
    assert example.measures == {}
    assert set(example.masks) == set(region_names())
    assert not any(mask.any() for mask in example.masks.values())
    assert example.image.std() > 1


@pytest.mark.parametrize("family", THINGS)
def test_thing_stays_inside_its_plane_and_shows(family: str) -> None:
    rng = np.random.default_rng(3)
    for _ in range(3):
        drawing = draw_design(sample_design(family, "", rng), SIZE, 1)
        shown = np.maximum.reduce([piece.alpha for piece in drawing.slices])
        assert 0.01 < shown.mean() < 0.98
        assert shown.min() >= 0
        assert shown.max() <= 1
        for piece in drawing.slices:
            assert piece.albedo.shape == (SIZE, SIZE, 3)
            assert np.isfinite(piece.albedo).all()


def test_designs_of_one_family_vary() -> None:
    rng = np.random.default_rng(0)
    designs = [str(sample_design("coin", "", rng)) for _ in range(5)]
    assert len(set(designs)) == 5


def test_look_alikes_are_drawn_oftener() -> None:
    assert set(WEIGHTS) <= set(FAMILIES)
    rng = np.random.default_rng(5)
    seen = [sample_recipe("none", rng).family for _ in range(150)]
    assert sum(name in ("cell_like", "coin", "plug_like", "tube_end", "tube_side", "gear") for name in seen) > 30


def test_regular_shapes_have_their_size() -> None:
    circle = outline({"circle": [0.1, -0.2, 0.5]})
    np.testing.assert_allclose(np.hypot(circle[:, 0] - 0.1, circle[:, 1] + 0.2), 0.5)
    box = outline({"box": [0.0, 0.0, 1.0, 0.4, 0.0, 0.1]})
    np.testing.assert_allclose([box.min(0), box.max(0)], [[-0.5, -0.2], [0.5, 0.2]], atol=1e-12)
    with pytest.raises(ValueError, match="unknown shape"):
        outline({"cloud": [0, 0, 1]})


@pytest.mark.parametrize("fault", FAULTS)
def test_fault_is_one_that_a_recipe_can_carry(fault: str) -> None:
    example = draw(sample_recipe("none", np.random.default_rng(2), families=["nut"], fault=fault), SIZE)
    assert example.image.shape == (SIZE, SIZE, 3)


@pytest.mark.parametrize(
    ("part", "options", "error", "words"),
    [
        ("teapot", {}, UnknownPart, "teapot"),
        ("none", {"families": ["unicorn"]}, ValueError, "unicorn"),
        ("none", {"view": "side"}, ValueError, "no view"),
        ("none", {"fault": "haunted"}, ValueError, "haunted"),
    ],
)
def test_wrong_request_is_named(part: str, options: dict[str, object], error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        sample_recipe(part, np.random.default_rng(0), **options)  # type: ignore[arg-type]
