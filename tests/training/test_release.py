"""The whole way by one plan: what runs beside what, what is carried on after a stop, what is said of a failure."""

from __future__ import annotations

import json
import os
import shutil
import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import wearvision_training
from wearvision_training import train as training
from wearvision_training.__main__ import main
from wearvision_training.dataset import PictureSet, Plan, build
from wearvision_training.release import run
from wearvision_training.release.make import stages
from wearvision_training.release.plan import ReleasePlan, SetPlan
from wearvision_training.release.run import Runner
from wearvision_training.release.stages import Drawing, Need, Stage, Training
from wearvision_training.release.tables import markdown
from wearvision_training.school.checkpoint import NAME
from wearvision_training.train import Config, SetChoice, train

LACKING = ["matplotlib", "jinja2", "crepes", "pillow_heif", "rich", "reportlab", "mitsuba"]
RECIPES = Path(wearvision_training.__file__).parent / "recipes"
TINY = """
model = "tiny"
[sets.train-sketch]
count = {count}
size = 64
workers = 1
shard = 2
[sets.calibrate]
split = "calibrate"
count = {count}
size = {size}
photos = true
regions = false
workers = 1
[sets.test]
split = "test"
count = {count}
size = {size}
photos = true
regions = false
workers = 1
[train]
config = "small.toml"
[train.keys]
start = "none"
size = 64
steps = 2
batch = 2
validate_every = 0
"""


def tiny(folder: Path, more: str = "", count: int = 3, size: int = 64) -> Path:
    (folder / "small.toml").write_text((RECIPES / "small.toml").read_text("utf-8"), "utf-8")
    file = folder / "plan.toml"
    file.write_text(TINY.format(count=count, size=size) + more, "utf-8")
    return file


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four pictures in two shards."""
    folder = tmp_path_factory.mktemp("drawn")
    build(folder, Plan(4, "train", 3, 64, shard=2), workers=1, progress=False)
    return folder


# Plans


@pytest.mark.parametrize("name", ["small-release", "full-release"])
def test_plans_of_the_house_are_read_and_name_every_stage_once(name: str, tmp_path: Path) -> None:
    plan = ReleasePlan.read(RECIPES / f"{name}.toml")
    names = [stage.name for stage in stages(plan, tmp_path)]
    assert len(set(names)) == len(names)
    assert {"train", "export", "calibrate", "refusal", "evaluate-test"} <= set(names)
    assert [stage.kind for stage in stages(plan, tmp_path)].count("compare") == len(plan.compare.variants)


def test_full_plan_traces_and_trains_on_both_devices_and_compares_on_one(tmp_path: Path) -> None:
    made = {stage.name: stage for stage in stages(ReleasePlan.read(RECIPES / "full-release.toml"), tmp_path)}
    traced = made["draw-train-pathtrace"].command(100.0, None)
    assert traced[traced.index("--time-limit") + 1] == "520"  # all of it: nothing has come yet
    assert traced.count("--device") == 2
    assert made["draw-train-sketch"].command(0.0, 50.0)[:3] == ["nice", "-n", "15"]
    assert made["draw-train-sketch"].command(0.0, 50.0)[-1] == "50"
    assert not set(made["draw-train-sketch"].takes) & set(made["train"].takes)
    both = " ".join(made["train"].command(0.0, None))
    assert "torch.distributed.run --standalone --nproc-per-node 2 -m -- wearvision_training train" in both
    assert "train-pathtrace:0.65" in both
    assert both.endswith("--leg 150")
    assert made["compare-size-256"].one
    alone = made["compare-sketch-only"].command(0.0, None)
    assert alone.count("--set") == 1
    assert alone[-2:] == ["--limit", "4000"]


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ("count = 3", "counts = 3", "train-sketch: unknown key counts"),
        ('split = "test"', 'split = "tests"', "test: split must be"),
        ('split = "test"', 'split = "calibrate"', "no set of split test"),
        ("size = 64\nsteps", "size = 65\nsteps", "train: size must be"),
        ('model = "tiny"', 'modell = "tiny"', "unknown key modell"),
        ('model = "tiny"', 'model = "tiny"\nvariants = ["int4"]', "unknown variant int4"),
        ('model = "tiny"', 'model = "tiny"\ndevices = ["cpu", "0"]', "devices"),
        ("[train.keys]", '[compare.variants]\na = { sets = ["test"] }\n[train.keys]', "a names no set to train on"),
        ("[train.keys]", "[compare.variants]\na = { decoder = 1 }\n[train.keys]", "a: decoder"),
        ('config = "small.toml"', 'config = "absent.toml"', "absent.toml"),
    ],
)
def test_mistake_in_a_plan_is_found_before_anything_is_drawn(
    tmp_path: Path, before: str, after: str, message: str
) -> None:
    file = tiny(tmp_path)
    text = file.read_text("utf-8")
    assert before in text
    file.write_text(text.replace(before, after, 1), "utf-8")
    result = CliRunner().invoke(main, ["release", "--plan", str(file), "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert message in result.stderr
    assert not (tmp_path / "out").exists()


def test_stages_can_be_left_out(tmp_path: Path) -> None:
    base = ["release", "--plan", str(tiny(tmp_path)), "--out", str(tmp_path / "out"), "--dry-run"]

    def named(*options: str) -> list[str]:
        result = CliRunner().invoke(main, [*base, *options])
        assert result.exit_code == 0, result.output
        return [line.split(":")[0] for line in result.stdout.splitlines()]

    assert named("--stages", "draw,export") == ["draw-train-sketch", "draw-calibrate", "draw-test", "export"]
    assert named("--from", "train", "--until", "calibrate") == ["train", "export", "calibrate"]
    assert CliRunner().invoke(main, [*base, "--stages", "paint"]).exit_code == 2
    assert CliRunner().invoke(main, [*base, "--from", "train", "--until", "draw"]).exit_code == 2


# Running


@dataclass(slots=True)
class Script(Stage):  # type: ignore[misc]  # the package is found by way of its install
    """A stage that is a few words of shell."""

    def command(self, used: float, left: float | None) -> list[str]:
        return ["sh", "-c", self.arguments[0]]


def script(out: Path, name: str, words: str, takes: str = "a", needs: tuple[Stage, ...] = (), **more: Any) -> Script:
    noted = f"date +%s%N > {out / name}.begin; {words} && date +%s%N > {out / name}"
    return Script(name, "draw", tuple(takes), out / name, [noted], tuple(map(Need, needs)), **more)


def times(out: Path, name: str) -> tuple[int, int]:
    return int((out / f"{name}.begin").read_text()), int((out / name).read_text())


def entries(out: Path) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = json.loads((out / "status.json").read_text("utf-8"))["stages"]
    return found


def test_stages_on_different_devices_run_side_by_side_and_on_the_same_in_turn(tmp_path: Path) -> None:
    long, short, other, last = (
        script(tmp_path, "long", "sleep 0.4"), script(tmp_path, "short", "true"),
        script(tmp_path, "other", "sleep 0.3", "b"), script(tmp_path, "last", "true", "ab"),
    )  # fmt: skip
    assert Runner([long, short, other, last], tmp_path, lambda _: None).go()
    one, two, three, four = (times(tmp_path, name) for name in ("long", "short", "other", "last"))
    assert three[0] < one[1] < two[0]
    assert four[0] > max(two[1], three[1])
    told = entries(tmp_path)["long"]
    assert told["result"] == "done"
    assert 0.3 < told["seconds"] < 5
    assert told["start"] <= told["end"]
    assert told["command"][0] == "sh"


def test_comparisons_take_one_device_each(tmp_path: Path) -> None:
    many = [script(tmp_path, f"one{n}", "sleep 0.3; echo $CUDA_VISIBLE_DEVICES", "01", one=True) for n in range(3)]
    assert Runner(many, tmp_path, lambda _: None).go()
    first, second, third = (times(tmp_path, f"one{n}") for n in range(3))
    assert second[0] < first[1]
    assert third[0] > min(first[1], second[1])
    devices = [(tmp_path / "logs" / f"one{n}.log").read_text().strip() for n in range(2)]
    assert sorted(devices) == ["0", "1"]


def test_stage_that_waits_is_not_overtaken_on_its_device(tmp_path: Path) -> None:
    slow = script(tmp_path, "slow", "sleep 0.4", "b")
    waits = script(tmp_path, "waits", "true", "a", (slow,))
    behind = script(tmp_path, "behind", "true", "a")
    assert Runner([slow, waits, behind], tmp_path, lambda _: None).go()
    assert times(tmp_path, "behind")[0] > times(tmp_path, "waits")[1]


def test_failure_is_told_with_its_last_words_and_only_stops_what_needs_it(tmp_path: Path) -> None:
    bad = script(tmp_path, "bad", "echo out of paint; false")
    after, free = script(tmp_path, "after", "true", "a", (bad,)), script(tmp_path, "free", "true")
    said: list[str] = []
    runner = Runner([bad, after, free], tmp_path, said.append)
    assert not runner.go()
    assert {name: entry["result"] for name, entry in entries(tmp_path).items()} == {
        "bad": "failed", "after": "not possible", "free": "done",
    }  # fmt: skip
    assert any("out of paint" in line for line in said)
    assert [stage.name for stage in (bad, after, free) if runner.failed(stage)] == ["bad", "after"]


def test_same_command_goes_on_after_a_stop(tmp_path: Path) -> None:
    def made() -> list[Stage]:
        first = script(tmp_path, "first", "true")
        return [first, script(tmp_path, "second", f"test -f {tmp_path}/again || exec sleep 20", "a", (first,))]

    stop = threading.Event()
    threading.Timer(0.7, stop.set).start()
    begun = time.monotonic()
    assert not Runner(made(), tmp_path, lambda _: None, stop=stop).go()
    assert time.monotonic() - begun < 8
    assert entries(tmp_path)["second"]["result"] == "stopped"
    done_at = (tmp_path / "first").read_text()
    (tmp_path / "again").touch()
    assert Runner(made(), tmp_path, lambda _: None).go()
    told = entries(tmp_path)
    assert (told["first"]["starts"], told["second"]["starts"]) == (1, 2)
    assert told["second"]["seconds"] > 0.5
    assert (tmp_path / "first").read_text() == done_at


def test_call_that_is_over_stops_what_is_at_work_and_begins_nothing_at_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = time.monotonic()
    assert not Runner([script(tmp_path, "late", "true")], tmp_path, lambda _: None, limit=run.MARGIN).go()
    assert not (tmp_path / "late.begin").exists()
    monkeypatch.setattr(run, "MARGIN", 0.0)
    monkeypatch.setattr(run, "WORTH", 0.0)
    assert not Runner([script(tmp_path, "long", "exec sleep 20")], tmp_path, lambda _: None, limit=0.5).go()
    assert time.monotonic() - begun < 8
    assert entries(tmp_path)["long"]["result"] == "stopped"


def test_stage_kept_from_other_settings_is_told(tmp_path: Path) -> None:
    said: list[str] = []
    for words in ("true", "true; : more"):
        one = Script("one", "export", ("a",), tmp_path, [words])
        assert Runner([one], tmp_path, said.append).go()
    assert [line for line in said if "begins" in line] == ["one: begins"]
    assert "made without true; : more" in said[-1]


@dataclass(slots=True)
class FakeDrawing(Drawing):  # type: ignore[misc]
    """Writes some shards, as far as their names go."""

    def command(self, used: float, left: float | None) -> list[str]:
        return ["sh", "-c", self.arguments[0]]


def drawing(out: Path, shards: str, words: str = "", **plan: Any) -> FakeDrawing:
    made = SetPlan(**{"count": 10, "shard": 4, "seconds": 0.01, **plan})
    folder = out / "set"
    folder.mkdir(exist_ok=True)
    command = f"cd {folder}; touch {shards}; {words}"
    return FakeDrawing("draw-set", "draw", ("a",), folder, [command], plan=made)


def test_set_that_has_less_than_wished_for_is_no_error_and_one_without_anything_is(tmp_path: Path) -> None:
    for shards, words, result, pictures in [
        ("note", "echo no lamp", "failed", 0),
        ("00000.jsonl 00002.jsonl", "exit 3", "short", 6),
        ("00001.jsonl", "", "done", 10),
    ]:
        one = drawing(tmp_path, shards, words, seconds=1e-3 if result == "failed" else 100.0)
        runner = Runner([one], tmp_path, lambda _: None)
        runner.go()
        assert (entries(tmp_path)["draw-set"]["result"], one.pictures()) == (result, pictures)
        assert runner.failed(one) == (result == "failed")
        if result == "short":
            assert (one.in_order(4), one.in_order(5)) == (True, False)


def test_training_begins_while_a_set_grows_takes_in_the_rest_and_stops_the_drawing(tmp_path: Path) -> None:
    grows = drawing(tmp_path, "00000.jsonl", "sleep 20", seconds=100.0)
    note = tmp_path / "run.json"
    twice = f"test -f {note} && f=true || f=false; sleep 0.3; touch {tmp_path}/weights; "
    twice += f"""echo '{{"finished": '$f'}}' > {note}"""

    class Legs(Training):  # type: ignore[misc]
        def command(self, used: float, left: float | None) -> list[str]:
            return ["sh", "-c", twice]

    needs = (Need(grows, grows.usable),)
    trains = Legs("train", "train", ("b",), tmp_path / "weights", needs=needs, leg=1.0, growing=lambda: not grows.ended)
    grows.serves = trains
    begun = time.monotonic()
    assert Runner([grows, trains], tmp_path, lambda _: None).go()
    assert time.monotonic() - begun < 8
    told = entries(tmp_path)
    assert (told["train"]["starts"], told["train"]["result"]) == (2, "done")
    assert (told["draw-set"]["result"], told["draw-set"]["pictures"]) == ("short", 4)


def test_leg_is_only_as_long_as_there_is_something_to_wait_for(tmp_path: Path) -> None:
    growing = [True]
    one = Training("train", "train", ("a",), tmp_path / "w", ["train"], leg=150.0, growing=lambda: growing[0])
    assert one.command(0.0, None)[-2:] == ["--leg", "150"]
    assert one.command(0.0, 40.0)[-2:] == ["--leg", "40"]
    growing[0] = False
    assert "--leg" not in one.command(0.0, None)


def test_training_goes_on_with_a_larger_set(tmp_path: Path, drawn: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, going = tmp_path / "set", tmp_path / "run"
    shutil.copytree(drawn, folder)
    (folder / "00001.jsonl").rename(tmp_path / "later")
    config = Config(
        sets=(SetChoice(str(folder)),), size=64, decoder="light", start="none", steps=4, batch=2, device="cpu",
        validate_every=0, leg=1000.0,
    )  # fmt: skip
    real, steps = training._Run._step, []

    def step_and_end_the_leg(self, step, far, batch) -> None:  # type: ignore[no-untyped-def]
        real(self, step, far, batch)
        steps.append((step, far))
        self.leg_ends = 0.0 if step == 1 else self.leg_ends

    monkeypatch.setattr(training._Run, "_step", step_and_end_the_leg)
    train(config, going, progress=False)
    told = json.loads((going / "run.json").read_text("utf-8"))
    assert (told["finished"], told["progress"]) == (False, 0.5)
    assert (going / NAME).is_file()
    (tmp_path / "later").rename(folder / "00001.jsonl")
    train(replace(config, leg=0.0), going, progress=False)
    assert steps == [(0, 0.0), (1, 0.25), (2, 0.5), (3, 0.75)]
    assert json.loads((going / "config.json").read_text("utf-8"))["material"]["pictures"] == {str(folder): 4}
    assert json.loads((going / "run.json").read_text("utf-8"))["finished"] is True


def test_leg_ends_a_start_in_time(tmp_path: Path, drawn: Path) -> None:
    config = Config(
        sets=(SetChoice(str(drawn)),), size=64, decoder="light", start="none", steps=10**6, batch=2,
        device="cpu", validate_every=0, time_limit=1000.0, leg=0.5,
    )  # fmt: skip
    begun = time.monotonic()
    train(config, tmp_path / "run", since=begun, progress=False)
    assert time.monotonic() - begun < 20
    told = json.loads((tmp_path / "run" / "run.json").read_text("utf-8"))
    assert told["finished"] is False
    assert 0 < told["progress"] < 0.1


def test_another_call_on_the_same_folder_is_refused(tmp_path: Path) -> None:
    from wearvision_training.release.command import _locked

    out = tmp_path / "out"
    out.mkdir()
    with _locked(out):
        result = CliRunner().invoke(main, ["release", "--plan", str(tiny(tmp_path)), "--out", str(out)])
    assert result.exit_code == 1
    assert "still at work" in result.stderr


def test_table_shows_what_is_not_known_as_a_dash() -> None:
    table = markdown([{"a": "x", "b": 0.12345}, {"a": "y", "b": None}])
    assert table.splitlines() == ["| a | b |", "| --- | --- |", "| x | 0.123 |", "| y | - |"]


def test_command_draws_and_trains_without_the_packages_of_the_report_and_once(
    tmp_path: Path, drawn: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = f"import sys\nsys.modules.update(dict.fromkeys({LACKING}))\n"
    (tmp_path / "sitecustomize.py").write_text(code, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path), prepend=os.pathsep)
    out = tmp_path / "out"
    for name in ("calibrate", "test"):
        shutil.copytree(drawn, out / "sets" / name)  # brought from elsewhere, and whole
    arguments = ["release", "--plan", str(tiny(tmp_path)), "--out", str(out), "--until", "train"]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0, result.output
    assert "all done" in result.stdout
    told = entries(out)
    assert [told[f"draw-{name}"]["pictures"] for name in ("train-sketch", "calibrate", "test")] == [3, 3, 3]
    assert not (out / "train" / "curves.png").exists()
    assert len(PictureSet.load(out / "sets" / "train-sketch").regions) == 3
    assert (out / "train" / "weights.safetensors").is_file()
    again = CliRunner().invoke(main, arguments)
    assert (again.exit_code, "begins" in again.stdout) == (0, False)
    assert entries(out) == told


@pytest.mark.slow
def test_whole_way_in_the_smallest(tmp_path: Path) -> None:
    more = "[compare]\npictures = 20\nseconds = 5\n[compare.variants]\na = {}\nb = { decoder = 'full' }\n"
    file = tiny(tmp_path, more, count=40, size=192)
    text = file.read_text("utf-8").replace('"tiny"', '"tiny"\nvariants = ["float16"]', 1)
    file.write_text(text, "utf-8")
    out = tmp_path / "out"
    result = CliRunner().invoke(main, ["release", "--plan", str(file), "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "calibration" in json.loads((out / "models" / "tiny" / "model.json").read_text("utf-8"))
    assert "<html" in (out / "reports" / "test" / "report.html").read_text("utf-8")
    rows = (out / "comparisons.csv").read_text("utf-8").splitlines()
    assert [row.split(",")[0] for row in rows] == ["variant", "a", "b"]
    assert (out / "variants.md").read_text("utf-8").count("float16") == 1
    assert json.loads((out / "refusal.json").read_text("utf-8"))["parts"] > 0
