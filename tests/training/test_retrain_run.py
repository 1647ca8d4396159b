"""Whole trainings on a tiny set: what they leave, how they stop, fail and go on."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import torch
from click.testing import CliRunner
from safetensors.torch import load_file

import wearvision_models
from wearvision.calibration import Calibration
from wearvision.grade import Grader
from wearvision.labels.bounds import Bound
from wearvision.labels.folder import Labelled, write_folder
from wearvision.labels.splits import SPLITS
from wearvision.labels.truth import Truth
from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision_training.__main__ import main
from wearvision_training.dataset import truth_of
from wearvision_training.families import families
from wearvision_training.retrain import run
from wearvision_training.retrain.config import Config
from wearvision_training.retrain.learning import Learner
from wearvision_training.retrain.progress import STOP, Failed, Stopped
from wearvision_training.retrain.run import retrain
from wearvision_training.studio import draw, sample_recipe

torch.set_num_threads(1)
MODELS = Path(wearvision_models.__file__).parent
BASE = MODELS / "mixed-2"
SMALL = {"replay_count": 6, "check_count": 4, "synthetic_count": 4, "copies": 1, "workers": 1}


def photo(part: str, seed: int, split: str) -> Labelled:
    rng = np.random.default_rng(seed)
    example = draw(sample_recipe(part, rng, families=families(part, "test")), 160)
    row = truth_of(example)
    done, data = cv2.imencode(".png", example.image[..., ::-1])
    assert done
    held = data.tobytes()
    bounds = {
        name: Bound(max(0.0, value - 0.02), value + 0.02, value, "mark") for name, value in row["measures"].items()
    }
    accepted = tuple(row["acceptable_grades"])
    truth = Truth(part, row["view"] or None, grade=row["grade"], acceptable_grades=accepted, bounds=bounds)
    group = hashlib.sha256(f"{split}{seed}".encode()).hexdigest()
    masks = {name: mask for name, mask in example.masks.items() if name in ("part", "window") and mask.any()}
    name = hashlib.sha256(held).hexdigest()
    return Labelled(name, held, f"M{seed}", group, split, True, truth, (), masks)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site") / "set"
    every = [*PARTS, "none"]
    items = [photo(every[at % 4], at, SPLITS[0 if at < 12 else 1 + at % 2]) for at in range(20)]
    write_folder(folder, "tiny", items, load_limits())
    return folder


def config(site: Path, out: Path, **changes: Any) -> Config:
    return Config(**{"folder": site, "base": str(BASE), "id": "tiny-1", "out": out, **SMALL, **changes})


def said(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (out / "progress.jsonl").read_text("utf-8").splitlines()]


def test_a_set_that_is_not_there_fails_with_one_sentence(tmp_path: Path) -> None:
    arguments = [
        "retrain",
        "--set",
        str(tmp_path / "gone"),
        "--base",
        str(BASE),
        "--id",
        "a",
        "--out",
        str(tmp_path / "o"),
    ]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 1
    assert "is no folder" in result.output
    last = said(tmp_path / "o")[-1]
    assert last["stage"] == "failed"
    assert last["say"].count("\n") == 0


def test_a_base_without_weights_says_where_they_are(site: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("model.json", "model.onnx"):
        shutil.copy(BASE / name, bare / name)
    with pytest.raises(Failed, match=r"without weights.safetensors.*models/mixed-2 from the source"):
        retrain(config(site, tmp_path / "o", base=str(bare)))
    with pytest.raises(Failed, match="There is no model 'mixed-99'"):
        retrain(config(site, tmp_path / "p", base="mixed-99"))


def test_nothing_to_learn_from_and_a_wrong_id(site: Path, tmp_path: Path) -> None:
    with pytest.raises(Failed, match="no photo of a part to learn from"):
        retrain(config(site, tmp_path / "o", only=frozenset()))
    arguments = ["retrain", "--set", str(site), "--base", str(BASE), "--id", "A b", "--out", str(tmp_path / "p")]
    assert CliRunner().invoke(main, arguments).exit_code == 2


def test_a_photo_that_cannot_be_read_is_named(site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wearvision_training.retrain.glimpses.read_photo", _unreadable)
    with pytest.raises(Failed, match=r"The photo [0-9a-f]{64}.png cannot be read: it breaks off"):
        retrain(config(site, tmp_path, replay_count=0))


def _unreadable(path: Path) -> None:
    from wearvision.errors import TruncatedPhoto

    raise TruncatedPhoto("it breaks off")


def test_a_full_disk_and_errors_not_foreseen_are_said(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Learner) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Learner, "learn", full)
    with pytest.raises(Failed, match="no room left on the disk"):
        retrain(config(site, tmp_path / "o"))
    monkeypatch.setattr(Learner, "learn", lambda self: 1 / 0)
    with pytest.raises(Failed, match="not foreseen, ZeroDivisionError: division by zero"):
        retrain(config(site, tmp_path / "o"))
    assert said(tmp_path / "o")[-1]["stage"] == "failed"


def test_a_stop_file_stops_and_the_same_command_goes_on(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Path] = []

    def learn(self: Learner) -> None:
        begun.append(self.work)
        (tmp_path / STOP).touch()
        self.progress.step("features", 1, 9)

    monkeypatch.setattr(Learner, "learn", learn)
    with pytest.raises(Stopped):
        retrain(config(site, tmp_path))
    assert not (tmp_path / STOP).exists()
    arguments = ["retrain", "--set", str(site), "--base", str(BASE), "--id", "tiny-1", "--out", str(tmp_path)]
    small = [word for name, value in SMALL.items() for word in (f"--{name.replace('_', '-')}", str(value))]
    (tmp_path / STOP).touch()  # left behind by an earlier start: it stops this one no more
    assert CliRunner().invoke(main, [*arguments, *small]).exit_code == 3
    assert len(begun) == 2
    other = CliRunner().invoke(main, [*arguments, *small, "--seed", "2"])
    assert other.exit_code == 1
    assert "holds another training, with seed 1" in other.output


def test_sentences_for_people() -> None:
    assert run._sentence(PermissionError(13, "Permission denied", "/x")) == "/x: Permission denied."
    assert "memory" in run._sentence(MemoryError())


def _whole(out: Path) -> dict[str, Any]:
    """The report of a finished training, whose model grades."""
    report: dict[str, Any] = json.loads((out / "report.json").read_text("utf-8"))
    record = json.loads((out / "model" / "model.json").read_text("utf-8"))
    assert record["id"] == "tiny-1"
    assert record["sha256"] == hashlib.sha256((out / "model" / "model.onnx").read_bytes()).hexdigest()
    assert record["trained_from"]["id"] == "mixed-2"
    assert record["parity"]["max_difference"] < 1e-3
    Calibration.read(record["calibration"])
    assert record["calibration"]["calibrated_on"] == "rendered"
    grader = Grader(out / "model")
    assert (
        grader.grade_image(draw(sample_recipe("flame_cell", np.random.default_rng(4)), 160).image).model["id"]
        == "tiny-1"
    )
    assert report["new"] == {"id": "tiny-1", "sha256": record["sha256"]}
    assert set(report["parts"]) == {"all", *PARTS}
    assert set(report["parts"]["all"]) == {"n", "old", "new", "f1_difference", "mcnemar"}
    assert set(report["parts"]["all"]["old"]) == {"macro_f1", "missed", "refused", "in_set", "set_size"}
    assert set(report["calibration"]) == set(PARTS)
    assert {row["used"] for row in report["calibration"].values()} == {"released, widened"}
    assert report["synthetic"]["n"] > 0
    assert report["held_out"]["photos"] == 2  # of four test photos two show no part
    assert report["told"]["seconds"]["total"] > 0
    card = (out / "model" / "card.md").read_text("utf-8")
    assert card.startswith("# tiny-1\n")
    assert "released, widened" in card
    return report


@pytest.mark.slow
def test_a_whole_training_of_heads_leaves_a_model_that_grades_and_a_report(site: Path, tmp_path: Path) -> None:
    heard: list[str] = []
    report = retrain(config(site, tmp_path), echo=heard.append)
    assert json.loads((tmp_path / "report.json").read_text("utf-8")) == _whole(tmp_path) == report
    stages = list(dict.fromkeys(line["stage"] for line in said(tmp_path)))
    assert [one for one in stages if one in ("reading", "features", "heads", "export", "compare")] == [
        "reading", "features", "heads", "export", "compare",
    ]  # fmt: skip
    begun = time.monotonic()
    assert retrain(config(site, tmp_path)) == report  # nothing is left to do
    assert time.monotonic() - begun < 30


@pytest.mark.slow
def test_more_than_the_heads_is_tuned_and_judged_by_groups_left_out(
    site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Learner, "_steps", lambda self, photos: 2)
    report = retrain(config(site, tmp_path, stage="more", minutes=60.0, device="cpu"))
    more = report["told"]["how"]["more"]
    assert set(more["costs"]) == {"0.0", "0.5", "1.0"}
    assert more["kept"] == (more["share"] > 0)
    _whole(tmp_path)


@pytest.mark.slow
def test_killed_at_any_time_the_same_command_ends_with_the_same_model(site: Path, tmp_path: Path) -> None:
    whole, broken = tmp_path / "whole", tmp_path / "broken"

    def start(out: Path) -> subprocess.Popen[bytes]:
        small = [word for name, value in SMALL.items() for word in (f"--{name.replace('_', '-')}", str(value))]
        command = ["-m", "wearvision_training", "retrain", "--set", str(site), "--base", str(BASE), "--id", "tiny-1"]
        return subprocess.Popen(
            [sys.executable, *command, "--out", str(out), *small, "--workers", "2"], stdout=subprocess.DEVNULL,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )  # fmt: skip

    begun = time.monotonic()
    assert start(whole).wait() == 0
    spent = time.monotonic() - begun
    chance, kills = random.Random(5), 0
    while kills < 4:
        process = start(broken)
        try:
            process.wait(chance.uniform(0.2, 0.9) * spent)
            break
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            process.wait()
            kills += 1
    assert kills > 0
    assert start(broken).wait() == 0
    _whole(broken)
    first, second = (load_file(out / "model" / "weights.safetensors") for out in (whole, broken))
    assert all(torch.equal(first[name], second[name]) for name in first)
    reports = [json.loads((out / "report.json").read_text("utf-8")) for out in (whole, broken)]
    for one in reports:
        del one["told"], one["new"]  # seconds differ, and an exported graph need not be the same byte for byte
    assert reports[0] == reports[1]
