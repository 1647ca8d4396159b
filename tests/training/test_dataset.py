"""Sets on disk: the same plan gives the same bytes, a stopped one goes on, whole families are held out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from wearvision.parts import PARTS, region_names
from wearvision.standard import GRADES, load_limits
from wearvision_training import dataset
from wearvision_training.__main__ import main
from wearvision_training.dataset import PictureSet, Plan, build, picture_seed, region_cells, truth_of
from wearvision_training.families import families
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.catalogue import entry
from wearvision_training.studio import draw, sample_recipe

PLAN = Plan(count=6, split="train", seed=5, size=64)
KINDS = (*PARTS, "none")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("set")
    build(path, PLAN, workers=1, progress=False)
    return path


def content(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in sorted(folder.iterdir())}


def test_same_plan_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    build(tmp_path, PLAN, workers=1, progress=False)
    assert content(tmp_path) == content(folder)


def test_set_is_loaded_as_it_was_drawn(folder: Path) -> None:
    pictures = PictureSet.load(folder)
    assert len(pictures) == 6
    assert pictures.images.shape == (6, 64, 64, 3)
    assert pictures.regions.shape == (6, len(region_names()), 32, 32)
    for index, record in enumerate(pictures.recipes):
        recipe = Recipe(**record)
        example = draw(recipe, 64)
        assert np.array_equal(pictures.images[index], example.image)
        assert np.array_equal(pictures.regions[index], region_cells(example))
        assert pictures.truths[index] == json.loads(json.dumps(truth_of(example)))
        assert recipe.family in families(recipe.part, "train")


def test_first_pictures_only(folder: Path) -> None:
    few = PictureSet.load(folder, limit=2)
    assert (len(few), len(few.images), len(few.regions), len(few.recipes)) == (2, 2, 2, 2)


def test_stopped_build_goes_on_where_it_was(tmp_path: Path, folder: Path) -> None:
    plan = replace(PLAN, shard=3)
    build(tmp_path, plan, workers=1, progress=False)
    assert np.array_equal(PictureSet.load(tmp_path).images, PictureSet.load(folder).images)
    whole = content(tmp_path)
    (tmp_path / "00001.jsonl").unlink()
    (tmp_path / "00001.images.npy").write_bytes(b"half")
    first = (tmp_path / "00000.images.npy").stat().st_mtime_ns
    build(tmp_path, plan, workers=1, progress=False)
    assert content(tmp_path) == whole
    assert (tmp_path / "00000.images.npy").stat().st_mtime_ns == first


@pytest.mark.parametrize("other", [replace(PLAN, seed=6), replace(PLAN, count=7), replace(PLAN, shard=3)])
def test_another_plan_in_the_same_folder_is_refused(folder: Path, other: Plan) -> None:
    before = content(folder)
    with pytest.raises(ValueError, match="another set"):
        build(folder, other, workers=1, progress=False)
    assert content(folder) == before


def test_set_of_before_shards_could_be_chosen_goes_on(folder: Path, tmp_path: Path) -> None:
    told = json.loads((folder / "plan.json").read_text("utf-8"))
    del told["shard"]
    (tmp_path / "plan.json").write_text(json.dumps(told), "utf-8")
    (tmp_path / "00000.jsonl").write_bytes((folder / "00000.jsonl").read_bytes())
    assert build(tmp_path, PLAN, workers=1, progress=False) == 0


def test_set_without_regions_has_none(tmp_path: Path) -> None:
    build(tmp_path, replace(PLAN, count=2, regions=False), workers=1, progress=False)
    assert len(PictureSet.load(tmp_path).regions) == 0


def test_empty_folder_is_no_set(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="draw a set"):
        PictureSet.load(tmp_path)


def test_shares_of_parts_are_kept() -> None:
    drawn = [picture_seed(PLAN, index)[0] for index in range(4000)]
    for part, share in dataset.SHARES.items():
        assert drawn.count(part) / 4000 == pytest.approx(share, abs=0.03)


@pytest.mark.parametrize("part", sorted(PARTS))
def test_truth_is_graded_by_the_standard(part: str) -> None:
    example = draw(sample_recipe(part, np.random.default_rng(4)), 64)
    truth = truth_of(example)
    assert set(truth["measures"]) == {name for name, value in example.measures.items() if value is not None}
    assert truth["grade"] in GRADES
    assert truth["grade"] in truth["acceptable_grades"]
    known = {name: value for name, value in example.measures.items() if value is not None}
    assert truth["grade"] == load_limits().grade_part(part, known).grade


def test_truth_of_something_else_has_no_grade() -> None:
    truth = truth_of(draw(sample_recipe("none", np.random.default_rng(4)), 64))
    assert (truth["part"], truth["grade"], truth["measures"], truth["acceptable_grades"]) == ("none", None, {}, [])


def test_cells_are_the_mean_cover_and_thin_regions_any() -> None:
    example = draw(sample_recipe("flame_cell", np.random.default_rng(4)), 64)
    mask = np.zeros((64, 64), bool)
    mask[10, 10] = True
    cells = region_cells(replace(example, masks={**example.masks, "crack": mask, "scorch": mask}))
    names = list(region_names())
    assert cells[names.index("crack"), 5, 5] == 255
    assert cells[names.index("scorch"), 5, 5] == round(255 / 4)
    assert cells[names.index("crack")].sum() == 255


@pytest.mark.parametrize("part", KINDS)
def test_families_are_held_out_whole(part: str) -> None:
    splits = {split: families(part, split) for split in ("train", "calibrate", "test")}
    assert all(splits.values())
    named = [name for names in splits.values() for name in names]
    assert sorted(named) == sorted(entry(part).families)
    assert len(set(named)) == len(named)


@pytest.fixture
def steady_tracing(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """One thread, as the workers have: several add light up in another order each time."""
    pytest.importorskip("mitsuba")
    import drjit as dr

    from wearvision_training.pathtrace import tracer

    monkeypatch.delenv("WEARVISION_PHOTOS", raising=False)
    tracer.choose_variant()
    threads = dr.thread_count()
    dr.set_thread_count(1)
    yield
    dr.set_thread_count(threads)


@pytest.mark.usefixtures("steady_tracing")
def test_traced_set_of_photos_goes_on_after_a_stop_and_holds_what_its_lines_say(tmp_path: Path) -> None:
    plan = Plan(2, "train", seed=2, size=64, photos=True, engine="pathtrace", samples=2, shard=1)
    assert build(tmp_path, plan, workers=1, progress=False) == 2
    whole = content(tmp_path)
    for file in tmp_path.glob("00001.*"):
        file.unlink()
    assert build(tmp_path, plan, workers=1, progress=False) == 1
    assert content(tmp_path) == whole

    pictures = PictureSet.load(tmp_path)
    assert pictures.images.shape == (2, 64, 64, 3)
    lines = [json.loads((tmp_path / f"0000{number}.jsonl").read_text("utf-8")) for number in range(2)]
    for index, line in enumerate(lines):
        example = draw(Recipe.from_json(json.dumps(line["recipe"])), 64, samples=2)
        assert hashlib.sha256(example.image.tobytes()).hexdigest() == line["sha256"]
        assert pictures.truths[index] == json.loads(json.dumps(truth_of(example)))
        assert np.array_equal(pictures.regions[index], region_cells(example))
        # Kept as a JPEG: near the pixels, not the same.
        assert np.abs(pictures.images[index].astype(int) - example.image).mean() < 6


def test_drawing_without_the_tracer_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A module that cannot be imported, first on the path: worker processes get the path, not what is patched here.
    (tmp_path / "mitsuba.py").write_text("raise ImportError('not here')\n", "utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    words = ["draw", "--count", "1", "--size", "64", "--engine", "pathtrace", "--workers", "1"]
    ended = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "set")])
    assert ended.exit_code == 1
    assert "Error: Path tracing needs Mitsuba: pip install" in ended.output
    assert isinstance(ended.exception, SystemExit)
    assert [file.name for file in (tmp_path / "set").iterdir()] == ["plan.json"]
