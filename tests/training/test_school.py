"""From a drawn set to a model that grades: train, export, calibrate, evaluate, and the commands for it. Tiny sets."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from click.testing import CliRunner

from wearvision.calibration import Calibration
from wearvision.errors import ModelError
from wearvision.grade import Grader
from wearvision.measure.result import Measured
from wearvision.network import ModelFolder, Network
from wearvision.parts import PARTS, measure_keys
from wearvision.sighting import Estimate
from wearvision_training import calibrate as calibration
from wearvision_training import export as exporting
from wearvision_training.__main__ import main
from wearvision_training.assessment.answers import Answers, answer
from wearvision_training.assessment.figures import evaluate
from wearvision_training.assessment.intervals import share
from wearvision_training.assessment.table import table
from wearvision_training.calibrate import Seen, fit
from wearvision_training.dataset import PictureSet, Plan, build
from wearvision_training.export import PARITY_LIMIT, ParityError, export
from wearvision_training.train import Config, SetChoice, load_weights, train

SIDE = 64
CONFIG = Config(steps=2, batch=3, size=SIDE, start="none", device="cpu", validate_every=0)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("set")
    build(folder, Plan(8, "train", 3, SIDE), workers=1, progress=False)
    return folder


@pytest.fixture(scope="module")
def pictures(drawn: Path) -> PictureSet:
    return PictureSet.load(drawn)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory, drawn: Path) -> Path:
    torch.set_num_threads(1)
    folder = tmp_path_factory.mktemp("run")
    train(replace(CONFIG, sets=(SetChoice(str(drawn)),)), folder, progress=False)
    return folder


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory, run: Path, pictures: PictureSet) -> Path:
    folder = tmp_path_factory.mktemp("model")
    difference = export(
        load_weights(run / "weights.safetensors"), folder, model_id="tiny", size=SIDE, pictures=pictures.images[:2]
    )
    assert 0 <= difference <= PARITY_LIMIT
    return folder


def test_exported_folder_is_read_by_the_library(model: Path, pictures: PictureSet) -> None:
    network = Network(ModelFolder.open(model))
    assert network.size == SIDE
    seen = network(pictures.images[0])
    assert tuple(seen.estimates) == measure_keys()
    assert seen.regions["part"].shape == (SIDE, SIDE)
    with pytest.raises(ModelError, match="calibrat"):
        Grader(model)


def test_runtimes_that_disagree_write_nothing(
    run: Path, pictures: PictureSet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exporting, "parity", lambda *given: PARITY_LIMIT * 2)
    with pytest.raises(ParityError):
        export(
            load_weights(run / "weights.safetensors"), tmp_path, model_id="t", size=SIDE, pictures=pictures.images[:1]
        )
    assert list(tmp_path.iterdir()) == []


def test_parity_needs_pictures_of_the_models_size(pictures: PictureSet, tmp_path: Path) -> None:
    for wrong in (pictures.images[:0], pictures.images[:1, :32]):
        with pytest.raises(ValueError, match="parity needs"):
            export(torch.nn.Identity(), tmp_path, model_id="t", size=SIDE, pictures=wrong)  # type: ignore[arg-type]


def _seen(count: int, *, noise: float = 0.05, seed: int = 0) -> list[Seen]:
    """Cells whose network errs by Laplace noise of its own spread and whose geometry is exact."""
    rng = np.random.default_rng(seed)
    items = []
    for _ in range(count):
        truth, direct, geometry = {}, {}, {}
        for mode in PARTS["flame_cell"].modes:
            value = float(rng.uniform(0.3, 0.6))
            truth[mode.measure] = value
            direct[mode.measure] = Estimate(max(0.0, value + float(rng.laplace(0, noise))), noise, 0.9)
            exact = max(0.0, value + float(rng.normal(0, noise / 50)))
            geometry[mode.measure] = Measured(exact, exact, exact)
        label = {"part": "flame_cell", "measures": truth}
        items.append(Seen(label, "flame_cell", 0.01, float(rng.normal(8, 1)), "face", {}, direct, geometry))
    return items


def test_fit_gives_intervals_that_hold_jointly_on_fresh_pictures() -> None:
    block = json.loads(json.dumps(fit(_seen(600))))
    read = Calibration.read(block)
    assert block["measures"]["flame_cell.haze"]["weight"] >= 0.75  # geometry is far surer here, and is chosen
    held = 0
    fresh = _seen(1000, seed=1)
    for item in fresh:
        held += all(_holds(read, name, item) for name in item.direct)
    assert held / len(fresh) == pytest.approx(0.95, abs=0.035)


def _holds(read: Calibration, name: str, item: Seen) -> bool:

    entry = read.entries[f"flame_cell.{name}"]
    joined = entry.blend(item.direct[name], item.geometry[name])
    found = read.interval(f"flame_cell.{name}", joined)
    return found.low <= item.truth["measures"][name] <= found.high


def test_too_few_pictures_leave_the_interval_wide_open() -> None:
    block = fit(_seen(12))
    assert block["joint"]["flame_cell"] is None
    assert block["joint"]["coupler"] is None
    Calibration.read(json.loads(json.dumps(block)))


def test_refusal_turns_away_about_its_share_of_parts() -> None:
    items = _seen(2000)
    least = fit(items)["refusal"]["least_energy"]
    assert np.mean([item.energy < least for item in items]) == pytest.approx(calibration.REFUSED_SHARE, abs=0.002)


def test_calibrated_model_grades_and_is_evaluated(model: Path, pictures: PictureSet, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(model, tmp_path / "tiny"))
    calibration.calibrate(folder, pictures, workers=1)
    assert Grader(folder).grade_image(pictures.images[0]).model["id"] == "tiny"
    figures = json.loads(json.dumps(evaluate(answer(folder, pictures, workers=1))))
    assert figures["pictures"] == len(pictures)
    assert "answered" in table(figures)


def _answered(
    grade: str, said: str | None, possible: list[str], haze: float = 0.5, value: float = 0.4
) -> tuple[dict, dict]:
    truth = {
        "part": "flame_cell", "view": "face", "family": "f", "measures": {"haze": haze}, "grade": grade,
        "acceptable_grades": [grade], "borderline": False,
    }  # fmt: skip
    report = {
        "part": {"name": "flame_cell" if said else None, "view": "face" if said else None, "probability": 0.9},
        "grade": said,
        "possible_grades": possible,
        "faults": [] if said else [{"kind": "blurred"}],
        "measures": [{"name": "haze", "value": value, "low": value - 0.05, "high": value + 0.05}] if said else [],
    }
    return truth, report


def test_figures_are_what_can_be_counted_by_hand() -> None:
    pairs = [
        _answered("replace", "replace", ["replace"], 0.5, 0.48),
        _answered("replace", "serviceable", ["serviceable", "replace"], 0.6, 0.1),
        _answered("replace", "serviceable", ["serviceable"], 0.7, 0.1),
        _answered("serviceable", "serviceable", ["serviceable"], 0.0, 0.0),
        _answered("serviceable", None, []),
    ]
    figures = evaluate(Answers(*zip(*pairs, strict=True)))
    assert (figures["answered"]["hits"], figures["answered"]["of"]) == (4, 5)
    assert figures["unfit_faults"] == {"blurred": 1}
    assert figures["replace_called_serviceable"]["value"] == pytest.approx(2 / 3)
    assert figures["replace_called_serviceable_without_doubt"]["value"] == pytest.approx(1 / 3)
    assert figures["possible_grades_hold_replace"]["value"] == pytest.approx(2 / 3)
    assert figures["grade_acceptable"]["value"] == pytest.approx(2 / 4)
    assert figures["mean_set_size"] == pytest.approx(5 / 4)
    row = figures["measures"]["flame_cell.haze"]
    assert (row["worn"], row["absent"]) == (3, 1)
    assert row["error"] == pytest.approx((0.02 + 0.5 + 0.6) / 3)
    assert row["interval_holds"]["value"] == pytest.approx(1 / 3)
    assert row["false_alarm"]["value"] == 0
    assert figures["macro_f1_clear"]["value"] == pytest.approx((0.5 + 0.5) / 2)


def test_evaluation_where_nothing_was_answered_is_still_a_table() -> None:
    figures = evaluate(Answers(*zip(_answered("serviceable", None, []), strict=True)))
    assert figures["answered"]["value"] == 0
    assert figures["mean_set_size"] is None
    assert "answered" in table(json.loads(json.dumps(figures)))
    assert share(0, 0)["value"] is None


def test_commands_go_from_a_drawn_set_to_a_table(tmp_path: Path) -> None:
    def call(*arguments: object) -> str:
        result = CliRunner().invoke(main, [str(argument) for argument in arguments])
        assert result.exit_code == 0, result.output
        return result.stdout

    drawn, runs, released = tmp_path / "set", tmp_path / "run", tmp_path / "tiny-1"
    call("draw", "--out", drawn, "--count", 6, "--seed", 4, "--size", SIDE, "--workers", 1)
    call("train", "--set", drawn, "--run", runs, "--steps", 2, "--batch", 3, "--start", "none", "--size", SIDE)
    weights = runs / "weights.safetensors"
    told = call("export", "--weights", weights, "--model", released, "--set", drawn, "--pictures", 3)
    assert "3 pictures" in told
    assert json.loads((released / "model.json").read_text("utf-8"))["input"]["size"] == SIDE
    call("calibrate", "--model", released, "--set", drawn, "--workers", 1)
    figures = tmp_path / "figures.json"
    told = call("evaluate", "--model", released, "--set", drawn, "--workers", 1, "--json", figures)
    assert "pictures 6" in told
    assert json.loads(figures.read_text("utf-8"))["pictures"] == 6
