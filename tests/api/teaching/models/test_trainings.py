"""Trainings as processes: followed, stopped, gone on with, found again, taken in.

A small program stands in for the training itself (``training_stub.py``); checked against issue 6, outcome 6.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.app import create_app
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.settings import Settings
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import DataSetRow, ModelRow, TrainingRow
from wearvision_api.teaching import commands, job, release, training_watch, trainings
from wearvision_api.teaching.training_watch import Watch

from .conftest import RELEASED, WHO, report

STUB = Path(__file__).with_name("training_stub.py")


@pytest.fixture
def how(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What the next training does; written in place of a data set."""
    told: dict[str, Any] = {"steps": 3, "pause": 0.02, "model": str(RELEASED), "report": report()}

    def write(house: House, session: Any, row: DataSetRow, folder: Path) -> None:
        folder.mkdir(parents=True)
        (folder / "how.json").write_text(json.dumps(told), "utf-8")
        (folder / "photo.jpg").write_bytes(b"a photo")

    monkeypatch.setattr(training_watch, "write_set", write)
    monkeypatch.setattr(job, "PROGRAM", (sys.executable, str(STUB)))
    return told


@pytest.fixture
def quiet(settings: Settings) -> Iterator[House]:
    """A house without threads: tests tick themselves."""
    found = House.open(settings)
    with found.session() as session:
        session.add(DataSetRow(id="s" * 36, owner_id=LOCAL_ID, name="Yard", sha256="0" * 64, counts={}))
        session.commit()
    yield found
    found.close()


def asked(house: House, **options: Any) -> str:
    with house.session() as session:
        row = trainings.start(house, session, WHO, "Yard", **options)
        session.commit()
        return row.id


def row_of(house: House, training: str) -> TrainingRow:
    with house.session(writes=False) as session:
        return trainings.find(session, training)


def ticked(watch: Watch, house: House, training: str, *states: str, seconds: float = 30.0) -> TrainingRow:
    """Ticks until a training is in one of these states."""
    end = time.monotonic() + seconds
    while True:
        watch.tick()
        row = row_of(house, training)
        if row.state in states:
            return row
        assert time.monotonic() < end, (row.state, row.progress, row.said)
        time.sleep(0.02)


@pytest.mark.on_both
def test_a_training_is_followed_and_its_model_taken_in(how: dict[str, Any], quiet: House) -> None:
    watch, training = Watch(quiet), asked(quiet, stage="heads", minutes=5)
    row = ticked(watch, quiet, training, "running")
    assert (row.base, row.model_id, row.settings["minutes"]) == ("mixed-2", "site-yard-1", 5)
    row = ticked(watch, quiet, training, "done")
    assert row.progress["say"] == "step 3, begun at 0"
    assert row.ended_at is not None
    with quiet.session() as session:
        model = session.get_one(ModelRow, "site-yard-1")
        assert (model.base, model.set_id, model.training_id) == ("mixed-2", "s" * 36, training)
        assert sorted(model.files) == ["card.md", "model.json", "model.onnx", "weights.safetensors"]
        assert model.report == report()
        assert model.gate["passed"] is True
        release.release(quiet, session, WHO, model.id)
    assert quiet.grader.model_id == "site-yard-1"
    folder = quiet.settings.data / "trainings" / training
    assert not (folder / "set").exists()  # no copies of photos stay
    assert [path.name for path in (folder / "out").iterdir()] == ["progress.jsonl"]


def test_one_at_a_time_and_the_next_begins_by_itself(how: dict[str, Any], quiet: House) -> None:
    watch, first, second = Watch(quiet), asked(quiet), asked(quiet)
    ticked(watch, quiet, first, "running")
    watch.tick()
    assert row_of(quiet, second).state == "waiting"
    ticked(watch, quiet, first, "done")
    assert row_of(quiet, second).model_id == "site-yard-2"
    assert ticked(watch, quiet, second, "done").model_id == "site-yard-2"


def test_a_training_behind_it_uses_the_weights_of_a_sites_own_model(
    how: dict[str, Any], quiet: House, tmp_path: Path
) -> None:
    watch, first = Watch(quiet), asked(quiet)
    ticked(watch, quiet, first, "done")
    with quiet.session() as session:
        row = session.get_one(ModelRow, "site-yard-1")
        folder = quiet.current.files.materialise(row.files)
    assert (folder / "weights.safetensors").read_bytes() == (RELEASED / "weights.safetensors").read_bytes()
    assert ticked(watch, quiet, asked(quiet, base="site-yard-1"), "done").base == "site-yard-1"


def test_a_stopped_training_goes_on_where_it_was(how: dict[str, Any], quiet: House) -> None:
    how.update(steps=40, pause=0.05)
    watch, training = Watch(quiet), asked(quiet)
    ticked(watch, quiet, training, "running")
    while not row_of(quiet, training).progress.get("done", 0) >= 3:
        watch.tick()
        time.sleep(0.02)
    with quiet.session() as session:
        trainings.stop(session, WHO, trainings.find(session, training))
        session.commit()
    stopped = ticked(watch, quiet, training, "stopped")
    assert stopped.said == "It was stopped, and can go on."
    done = int((quiet.settings.data / "trainings" / training / "out" / "done.txt").read_text())
    assert 3 <= done < 40
    how.update(steps=done + 2)
    with quiet.session() as session:
        with pytest.raises(Problem, match="nothing to stop"):
            trainings.stop(session, WHO, trainings.find(session, training))
        trainings.resume(session, WHO, trainings.find(session, training))
        session.commit()
    row = ticked(watch, quiet, training, "done")
    assert row.progress["say"] == f"step {done + 2}, begun at {done}"


def test_who_does_not_hear_is_told_and_then_ended(how: dict[str, Any], quiet: House) -> None:
    how.update(deaf=True, steps=1)
    watch, training = Watch(quiet, grace=timedelta(seconds=0.3)), asked(quiet)
    ticked(watch, quiet, training, "running")
    while row_of(quiet, training).progress.get("done") != 1:
        watch.tick()
    with quiet.session() as session:
        trainings.stop(session, WHO, trainings.find(session, training))
        session.commit()
    assert ticked(watch, quiet, training, "stopped", seconds=10).process["pressed"] >= 2
    assert not job.Job(quiet.settings.data / "trainings" / training).is_alive()


def test_waiting_ones_stop_at_once(how: dict[str, Any], quiet: House) -> None:
    training = asked(quiet)
    with quiet.session() as session:
        trainings.stop(session, WHO, trainings.find(session, training))
        session.commit()
    Watch(quiet).tick()
    assert row_of(quiet, training).state == "stopped"


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"fails": "The set has no photo to learn from."}, "The set has no photo to learn from."),
        ({"crashes": "the disk is on fire"}, "It ended with status 1: RuntimeError: the disk is on fire"),
        ({"report": []}, "The new model could not be taken in: report.json holds no report"),
        ({"model": str(Path(__file__).parent)}, "It ended with status 1: FileNotFoundError"),
    ],
)
def test_a_failure_is_one_sentence(how: dict[str, Any], quiet: House, told: dict[str, Any], said: str) -> None:
    how.update(told)
    row = ticked(Watch(quiet), quiet, asked(quiet), "failed")
    assert row.said.startswith(said)
    assert "\n" not in row.said
    assert quiet.grader.model_id == "mixed-2"


def test_a_killed_process_is_found_dead_and_can_go_on(how: dict[str, Any], quiet: House) -> None:
    how.update(steps=200, pause=0.05)
    watch, training = Watch(quiet), asked(quiet)
    process = ticked(watch, quiet, training, "running").process
    assert process is not None
    os.killpg(process["pid"], signal.SIGKILL)
    assert "ended from outside" in ticked(watch, quiet, training, "stopped").said
    with quiet.session() as session:
        trainings.resume(session, WHO, trainings.find(session, training))
        session.commit()
    how.update(steps=2)
    ticked(watch, quiet, training, "done")


def test_a_service_killed_while_it_prepared_a_training_begins_it_again(how: dict[str, Any], quiet: House) -> None:
    training = asked(quiet)
    with quiet.session() as session:
        place = {"host": job.host(), "pid": 0, "folder": str((quiet.settings.data / "trainings").resolve() / training)}
        trainings.change(session, trainings.find(session, training), state="running", process=place, seen_at=now())
        session.commit()
    assert ticked(Watch(quiet), quiet, training, "done").model_id == "site-yard-1"


def test_a_training_begun_by_a_service_killed_at_that_moment_is_stopped_and_nobody_else(
    how: dict[str, Any], quiet: House
) -> None:
    how.update(deaf=True, steps=1)
    watch, training = Watch(quiet, grace=timedelta(seconds=0.2)), asked(quiet)
    process = ticked(watch, quiet, training, "running").process
    assert process is not None
    with quiet.session() as session:  # as it stands on record until the number of the process is committed
        trainings.change(session, trainings.find(session, training), process={**process, "pid": 0})
        trainings.stop(session, WHO, trainings.find(session, training))
        session.commit()
    assert ticked(watch, quiet, training, "stopped", seconds=10).process["pressed"] >= 2
    assert not job.Job(quiet.settings.data / "trainings" / training).is_alive()


def test_what_a_killed_service_left_of_an_ended_training_goes_when_it_starts(how: dict[str, Any], quiet: House) -> None:
    training = asked(quiet)
    ticked(Watch(quiet), quiet, training, "done")
    left = quiet.settings.data / "trainings" / training / "set"
    left.mkdir()
    (left / "photo.jpg").write_bytes(b"a photo")
    Watch(quiet).tidy()
    assert not left.exists()


def test_a_service_started_anew_finds_it_running(how: dict[str, Any], quiet: House, settings: Settings) -> None:
    how.update(steps=20, pause=0.1)
    training = asked(quiet)
    before = ticked(Watch(quiet), quiet, training, "running").process
    other = House.open(settings)
    try:
        watch = Watch(other)
        watch.tick()
        assert row_of(other, training).process == before
        assert row_of(other, training).state == "running"
        assert ticked(watch, other, training, "done").model_id == "site-yard-1"
    finally:
        other.close()


def test_the_running_service_does_it_by_itself(how: dict[str, Any], settings: Settings) -> None:
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        house: House = client.app.state.house  # type: ignore[attr-defined]
        with house.session() as session:
            session.add(DataSetRow(id="s" * 36, owner_id=LOCAL_ID, name="Yard", sha256="0" * 64, counts={}))
            session.commit()
        training = asked(house)
        end = time.monotonic() + 30
        while row_of(house, training).state != "done":
            assert time.monotonic() < end, row_of(house, training).said
            time.sleep(0.1)


def test_without_pytorch_it_says_what_to_install(
    how: dict[str, Any], quiet: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job, "find_spec", lambda name: None)
    with pytest.raises(Problem, match=r"pip install 'wearvision\[training\]'"):
        asked(quiet)


def test_another_machines_training_is_left_alone_and_may_be_lost(how: dict[str, Any], quiet: House) -> None:
    training = asked(quiet)
    with quiet.session() as session:
        row = trainings.find(session, training)
        place = {"host": "elsewhere", "pid": 1, "folder": "/nowhere/x"}
        trainings.change(session, row, state="running", process=place, seen_at=now())
        session.commit()
        Watch(quiet).tick()
        with pytest.raises(Problem, match="only one that was stopped or failed"):
            trainings.resume(session, WHO, trainings.find(session, training))
        session.rollback()
        trainings.change(session, trainings.find(session, training), seen_at=now() - timedelta(minutes=11))
        trainings.resume(session, WHO, trainings.find(session, training))
        session.commit()
    ticked(Watch(quiet), quiet, training, "done")


def test_half_a_line_of_progress_is_not_read(tmp_path: Path) -> None:
    work = job.Job(tmp_path)
    assert work.newest() == {}
    work.out.mkdir()
    (work.out / "progress.jsonl").write_text('{"stage": "heads", "done": 1}\nnot json\n{"stage": "he', "utf-8")
    assert work.newest() == {"stage": "heads", "done": 1}
    assert work.exit_status() is None
    assert not work.is_alive()


def run(arguments: list[str]) -> Any:
    from click.testing import CliRunner

    from wearvision_api.commands import COMMANDS

    return CliRunner().invoke(COMMANDS["retrain"], arguments)


@pytest.mark.parametrize(
    ("told", "status", "said"),
    [
        ({}, 0, "site-yard-1 is taken in"),
        ({"fails": "The set has no photo to learn from."}, 1, "The set has no photo to learn from."),
    ],
)
def test_the_command_trains_and_follows(
    how: dict[str, Any], quiet: House, told: dict[str, Any], status: int, said: str
) -> None:
    how.update(told)
    done = run(["--set", "Yard", "--data", str(quiet.settings.data)])
    assert done.exit_code == status, done.output
    assert said in done.output
    assert "heads: 3 of 3" in done.output or told


def test_the_command_says_what_is_wrong_in_one_line(how: dict[str, Any], quiet: House) -> None:
    done = run(["--set", "Elsewhere", "--data", str(quiet.settings.data)])
    assert (done.exit_code, done.output) == (1, "Error: There is no set Elsewhere.\n")
    done = run(["--set", "Yard", "--account", "nobody", "--data", str(quiet.settings.data)])
    assert done.exit_code == 2
    assert "There is no account 'nobody'." in done.output


def test_an_interruption_asks_the_training_to_stop(
    how: dict[str, Any], quiet: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    how.update(steps=400, pause=0.05)
    training, said = asked(quiet), list[str]()
    presses = iter([None, None, None, KeyboardInterrupt])

    def sleep(seconds: float) -> None:
        if next(presses, None) is not None:
            raise KeyboardInterrupt
        threading.Event().wait(0.2)

    monkeypatch.setattr(commands, "time", type("Clock", (), {"sleep": staticmethod(sleep)}))
    with Watch(quiet).running(every_s=0.1):
        row = commands.follow(quiet, WHO, training, said.append)
    assert row.state == "stopped"
    assert "It is asked to stop; it ends at its next step." in said


def test_stages_that_were_left_stay_left_though_one_comes_again() -> None:
    kept: dict[str, Any] = {}
    for stage in ("reading", "features", "features", "heads", "features"):
        kept = training_watch.joined(kept, {"stage": stage})
    assert kept == {"stage": "features", "past": ["reading", "features", "heads"]}
    assert training_watch.joined(kept, {}) == kept
