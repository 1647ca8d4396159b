"""The studio over every registered part: recipes that repeat, truth that fits the view."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from wearvision.parts import PARTS, region_names
from wearvision_training.__main__ import main
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.catalogue import entry
from wearvision_training.studio import AREA_RATIOS, OUTLINES, draw, sample_recipe

SIZE = 96
EACH_VIEW = [(key, view) for key, part in PARTS.items() for view in part.views]


@pytest.mark.parametrize(("part", "view"), EACH_VIEW)
def test_recipe_repeats_and_its_line_gives_the_same_bytes(part: str, view: str) -> None:
    recipe = sample_recipe(part, np.random.default_rng(21), view=view)
    assert recipe == sample_recipe(part, np.random.default_rng(21), view=view)
    again = Recipe.from_json(recipe.to_json())
    assert again == recipe
    one, other = draw(recipe, SIZE), draw(again, SIZE)
    np.testing.assert_array_equal(one.image, other.image)
    assert one.measures == other.measures


@pytest.mark.parametrize(("part", "view"), EACH_VIEW)
def test_truth_names_every_measure_and_leaves_out_what_the_view_hides(part: str, view: str) -> None:
    for seed in range(4):
        example = draw(sample_recipe(part, np.random.default_rng(seed), view=view), SIZE)
        assert (example.part, example.view) == (part, view)
        assert list(example.measures) == [mode.measure for mode in PARTS[part].modes]
        for mode in PARTS[part].modes:
            value = example.measures[mode.measure]
            if view not in mode.views:
                assert value is None
            elif value is not None:
                assert np.isfinite(value)
                assert value >= 0
            if mode.measure in AREA_RATIOS:
                assert value is not None
                assert value <= 1
        subject = example.masks[PARTS[part].subject[view]]
        assert subject.sum() > 30
        assert example.masks["part"][subject].mean() > 0.8


@pytest.mark.parametrize(("part", "view"), EACH_VIEW)
def test_families_are_plenty_and_all_draw(part: str, view: str) -> None:
    assert len(entry(part).families) >= 12
    for number, family in enumerate(entry(part).families):
        example = draw(sample_recipe(part, np.random.default_rng(number), families=[family], view=view), 64)
        assert example.recipe.family == family
        assert example.image.std() > 2


@pytest.mark.parametrize(("part", "view"), EACH_VIEW)
def test_outline_cut_by_the_frame_is_not_measured(part: str, view: str) -> None:
    measures = [m.measure for m in PARTS[part].modes if m.measure in OUTLINES and view in m.views]
    for seed in range(3):
        example = draw(sample_recipe(part, np.random.default_rng(seed), view=view, fault="cut_off"), SIZE)
        for name in measures:
            region = example.masks[OUTLINES[name]]
            edge = np.concatenate([region[0], region[-1], region[:, 0], region[:, -1]])
            assert edge.any()
            assert example.measures[name] is None


def test_a_photo_to_judge_holds_its_subject_whole() -> None:
    for key, part in PARTS.items():
        for seed in range(6):
            example = draw(sample_recipe(key, np.random.default_rng(100 + seed)), SIZE)
            region = example.masks[part.subject[example.view]]
            edge = np.concatenate([region[0], region[-1], region[:, 0], region[:, -1]])
            assert not edge.any()


def test_film_and_haze_are_the_means_of_their_maps() -> None:
    worst = {"film_loss": 0.0, "haze": 0.0}
    for seed in range(8):
        example = draw(sample_recipe("flame_cell", np.random.default_rng(seed)), SIZE)
        shown = example.masks["window"]
        for measure, region in (("film_loss", "film"), ("haze", "clouding")):
            value = example.measures[measure]
            assert value == pytest.approx(example.weights[region].sum() / shown.sum(), abs=0.03)
            worst[measure] = max(worst[measure], value or 0.0)
    assert min(worst.values()) > 0.05


@pytest.fixture
def quick_tracing() -> Iterator[None]:
    """Small rasters, and one thread: several add light up in another order each time."""
    pytest.importorskip("mitsuba")
    import drjit as dr

    from wearvision_training.pathtrace import shoot, tracer

    tracer.choose_variant()
    threads = dr.thread_count()
    dr.set_thread_count(1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tracer, "ATLAS_SMALL", 512)
        patch.setattr(shoot, "LEAST_RASTER", 128)
        yield
    dr.set_thread_count(threads)


@pytest.mark.usefixtures("quick_tracing")
@pytest.mark.parametrize(("part", "view"), [*EACH_VIEW, ("none", "")])
def test_traced_recipe_line_gives_the_same_picture_and_truth(part: str, view: str) -> None:
    recipe = sample_recipe(part, np.random.default_rng(4), view=view or None, engine="pathtrace")
    assert recipe.engine == "pathtrace"
    again = Recipe.from_json(recipe.to_json())
    assert again == recipe
    one, other = draw(recipe, 64, samples=2), draw(again, 64, samples=2)
    np.testing.assert_array_equal(one.image, other.image)
    assert one.measures == other.measures
    assert one.image.shape == (64, 64, 3)
    assert one.image.std() > 2
    assert set(one.masks) == set(region_names())
    for name, mask in one.masks.items():
        np.testing.assert_array_equal(mask, other.masks[name])
    if part == "none":
        assert one.measures == {}
        assert not any(mask.any() for name, mask in one.masks.items() if name not in one.weights)
    else:
        assert list(one.measures) == [mode.measure for mode in PARTS[part].modes]
        assert one.masks[PARTS[part].subject[view]].sum() > 30
        hidden = {mode.measure for mode in PARTS[part].modes if view not in mode.views}
        assert {name for name, value in one.measures.items() if value is None} >= hidden


def test_sheet_without_the_tracer_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "mitsuba", None)
    out = tmp_path / "sheet.png"
    words = ["contact-sheet", "--part", "electrode", "--n", "1", "--size", "64", "--engine", "pathtrace"]
    ended = CliRunner().invoke(main, [*words, "--out", str(out)])
    assert ended.exit_code == 1
    assert "Error: Path tracing needs Mitsuba: pip install" in ended.output
    assert isinstance(ended.exception, SystemExit)
    assert not out.exists()
