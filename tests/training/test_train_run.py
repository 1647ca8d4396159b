"""Whole runs on a tiny set: what they leave, how they stop and go on, one process and two."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from click.testing import CliRunner
from PIL import Image
from safetensors.torch import load_file

from wearvision_training import train as training
from wearvision_training.__main__ import main
from wearvision_training.dataset import Plan, build
from wearvision_training.network import WearNetwork
from wearvision_training.school import curves
from wearvision_training.school.checkpoint import NAME
from wearvision_training.school.stopping import asked_to_stop
from wearvision_training.school.weights import input_size, save_weights, started
from wearvision_training.train import Config, SetChoice, load_weights, train

SIDE = 64
torch.set_num_threads(1)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("set")
    build(folder, Plan(12, "train", 3, SIDE), workers=1, progress=False)
    return folder


@pytest.fixture(scope="module")
def config(drawn: Path) -> Config:
    return Config(
        sets=(SetChoice(str(drawn)),), size=SIDE, decoder="light", start="none", steps=2, batch=3, device="cpu",
        validate_every=0,
    )  # fmt: skip


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory, config: Config, drawn: Path) -> Path:
    folder = tmp_path_factory.mktemp("run")
    train(replace(config, watch=str(drawn), validate_every=1), folder, progress=False)
    return folder


def test_no_curves_of_a_run_stopped_before_its_first_step(tmp_path: Path) -> None:
    assert curves.plot(tmp_path) is None
    assert list(tmp_path.iterdir()) == []


def test_run_leaves_config_figures_curves_and_weights(finished: Path, drawn: Path) -> None:
    told = json.loads((finished / "config.json").read_text("utf-8"))
    assert told["config"]["steps"] == 2
    assert told["material"]["pictures"] == {str(drawn): 12}
    losses = curves.read(finished / "losses.csv")
    assert list(losses[0]) == ["step", "total", "part", "view", "grade", "measures", "reach", "regions", "rate"]
    assert [row["step"] for row in losses] == ["0", "1"]
    assert all(np.isfinite(float(row[name])) for row in losses for name in row)
    watched = curves.read(finished / "validation.csv")
    assert [row["step"] for row in watched[:2]] == ["1", "2"]
    assert {"part", "grade_by_values", "flame_cell.haze.error", "coupler.bow_ratio.auroc"} <= set(watched[0])
    with Image.open(finished / "curves.png") as plot:
        assert plot.width > 300
    assert json.loads((finished / "run.json").read_text("utf-8"))["finished"] is True
    assert not (finished / NAME).exists()
    assert load_weights(finished / "weights.safetensors").decoder == "light"
    assert input_size(finished / "weights.safetensors") == SIDE


def test_finished_run_is_not_begun_again(finished: Path, config: Config) -> None:
    with pytest.raises(FileExistsError, match="finished"):
        train(config, finished, progress=False)


def test_same_seed_trains_the_same_weights(config: Config, tmp_path: Path) -> None:
    for name in ("a", "b"):
        train(config, tmp_path / name, progress=False)
    first, second = (load_file(tmp_path / name / "weights.safetensors") for name in ("a", "b"))
    assert first.keys() == second.keys()
    assert all(torch.equal(first[name], second[name]) for name in first)


def test_stopped_run_goes_on_where_it_was(config: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = replace(config, steps=4)
    real = training._Run._step

    def stop_after_two(self, step, far, batch) -> None:  # type: ignore[no-untyped-def]
        real(self, step, far, batch)
        if step == 1:
            os.kill(os.getpid(), signal.SIGTERM)

    monkeypatch.setattr(training._Run, "_step", stop_after_two)
    train(config, tmp_path, progress=False)
    assert json.loads((tmp_path / "run.json").read_text("utf-8"))["finished"] is False
    state = torch.load(tmp_path / NAME, weights_only=True)
    assert (state["step"], state["progress"]) == (2, 0.5)
    with pytest.raises(ValueError, match="rate"):
        train(replace(config, rate=1e-4), tmp_path, progress=False)
    steps: list[int] = []
    monkeypatch.setattr(
        training._Run, "_step", lambda self, step, far, batch: (steps.append(step), real(self, step, far, batch))
    )
    train(config, tmp_path, progress=False)
    assert steps == [2, 3]
    assert [row["step"] for row in curves.read(tmp_path / "losses.csv")] == ["0", "3"]
    assert json.loads((tmp_path / "run.json").read_text("utf-8"))["finished"] is True
    assert not (tmp_path / NAME).exists()


def test_time_limit_ends_a_long_run_annealed(config: Config, tmp_path: Path) -> None:
    begun = time.monotonic()
    train(replace(config, steps=10**6, time_limit=3.0), tmp_path, since=begun, progress=False)
    assert time.monotonic() - begun < 30
    told = json.loads((tmp_path / "run.json").read_text("utf-8"))
    assert told["finished"]
    assert told["steps"] < 10**5


def test_checkpoint_is_written_while_the_run_goes_on(
    config: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    saved: list[int] = []
    real = training._Run._save
    monkeypatch.setattr(training._Run, "_save", lambda self, step: (saved.append(step), real(self, step))[1])
    train(replace(config, checkpoint_s=0.0), tmp_path, progress=False)
    assert saved == [1, 2]


@pytest.mark.parametrize("suffix", ["safetensors", "pt"])
def test_run_starts_from_given_weights_kept_small(tmp_path: Path, suffix: str) -> None:
    torch.manual_seed(5)
    source = WearNetwork(None, decoder="full")
    path = tmp_path / f"start.{suffix}"
    if suffix == "pt":
        torch.save({name: tensor.half() for name, tensor in source.backbone.state_dict().items()}, path)
    else:
        save_weights(source, path, SIDE)
    taken = started(str(path), "light", "shape")
    for name, tensor in source.backbone.state_dict().items():
        assert torch.allclose(taken.backbone.state_dict()[name].float(), tensor.float(), rtol=1e-3, atol=1e-6)
    assert torch.equal(taken.top[0].weight, source.top[0].weight) == (suffix == "safetensors")


def test_start_that_is_no_start_is_refused(tmp_path: Path) -> None:
    from safetensors.torch import save_file

    save_file({"a": torch.zeros(2)}, tmp_path / "a.safetensors")
    with pytest.raises(ValueError, match="no start"):
        started(str(tmp_path / "a.safetensors"), "full", "shape")
    with pytest.raises(FileNotFoundError, match="imagenet"):
        started(str(tmp_path / "b.pt"), "full", "shape")


def test_command_reads_a_recipe_sets_shares_and_photos(drawn: Path, tmp_path: Path) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (90, 140, 3)).astype(np.uint8)).save(photos / "a.png")
    recipe = tmp_path / "recipe.toml"
    recipe.write_text('start = "none"\nsteps = 9\nbatch = 4\nphoto_share = 0.3\nvalidate_every = 0\n', "utf-8")
    arguments = ["--config", recipe, "--set", f"{drawn}:0.5", "--set", drawn, "--run", tmp_path / "run", "--steps", 1]
    arguments += ["--size", 96, "--photos", photos, "--with", "photo_crops=5", "--device", "cpu"]
    result = CliRunner().invoke(main, ["train", *map(str, arguments)])
    assert result.exit_code == 0, result.output
    told = json.loads((tmp_path / "run" / "config.json").read_text("utf-8"))["config"]
    assert (told["steps"], told["batch"], told["size"], told["photo_crops"]) == (1, 4, 96, 5)
    assert told["sets"] == [{"folder": str(drawn), "share": 0.5}, {"folder": str(drawn)}]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [([], "no set"), (["--with", "colour=1"], "colour"), (["--set", "nowhere"], "no finished")],
)
def test_command_says_what_is_wrong(tmp_path: Path, arguments: list[str], message: str) -> None:
    result = CliRunner().invoke(main, ["train", "--run", str(tmp_path), "--device", "cpu", *arguments])
    assert result.exit_code == 2
    assert message in result.stderr


def test_signals_are_left_alone_outside_the_main_thread() -> None:
    seen = []

    def work() -> None:
        with asked_to_stop() as stop:
            seen.append(stop.is_set())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [False]


@pytest.mark.slow
def test_two_processes_share_the_work_and_agree(config: Config, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.json"
    recipe.write_text(json.dumps(config.plain() | {"steps": 3, "batch": 4}), "utf-8")
    code = (
        "import json, sys, torch; from pathlib import Path; from wearvision_training import train as t\n"
        "config = t.Config().changed(json.loads(Path(sys.argv[1]).read_text()))\n"
        "real = t._Run._end\n"
        "def end(self, step, seconds):\n"
        "    total = sum(float(p.double().abs().sum()) for p in self.network.parameters())\n"
        "    Path(sys.argv[2], f'rank{self.crew.rank}.json').write_text(\n"
        "        json.dumps([step, total, sum(map(len, self.material.sets))]))\n"
        "    return real(self, step, seconds)\n"
        "t._Run._end = end\n"
        "t.train(config, Path(sys.argv[2]), progress=False)\n"
    )
    script = tmp_path / "go.py"
    script.write_text(code, "utf-8")
    run = tmp_path / "run"
    command = [sys.executable, "-m", "torch.distributed.run", "--standalone", "--nproc-per-node", "2"]
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    done = subprocess.run([*command, str(script), str(recipe), str(run)], capture_output=True, env=environment)
    assert done.returncode == 0, done.stderr.decode()[-3000:]
    first, second = (json.loads((run / f"rank{rank}.json").read_text("utf-8")) for rank in (0, 1))
    assert first == second
    assert first[0] == 3
    assert first[2] == 6
    assert json.loads((run / "config.json").read_text("utf-8"))["processes"] == 2
    load_weights(run / "weights.safetensors")
