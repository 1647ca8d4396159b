"""``kill -9`` of retraining, of the service that looks after it, and of both: each ends with one whole model."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.house import House
from wearvision_api.record import ledger
from wearvision_api.record.verify import verify
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import open_engine
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import DataSetRow, ModelRow, TrainingRow

from ..api.teaching.models.conftest import report
from .counts import counted
from .keeper import Keeper, Service

pytestmark = pytest.mark.slow
SHARE_OF_TRAINING, SHARE_OF_SERVICE = 0.08, 0.12
LONGEST_S = 6.0
"""Of all kills; and the longest time between two kills of a training."""
STAND_INS = Path(__file__).with_name("stand_ins.py")


def share(config: pytest.Config, part: float, usual: int) -> int:
    kills = config.getoption("kills", 0)
    return round(kills * part) or usual


def test_a_retraining_killed_again_and_again_ends_with_the_model_of_one_left_alone(
    tmp_path: Path, pytestconfig: pytest.Config
) -> None:
    """The real training on a tiny set; a killed one is started with the same command."""
    from safetensors.numpy import load_file

    from wearvision.grade import Grader

    from ..training.test_retrain_run import BASE, SMALL, photo
    from .tiny_site import written

    kills = share(pytestconfig, SHARE_OF_TRAINING, 8)
    row = counted("kill -9, retraining")
    site = written(tmp_path / "set", photo)
    small = [word for name, value in SMALL.items() for word in (f"--{name.replace('_', '-')}", str(value))]
    keeper, chance, started = Keeper("training"), random.Random(), 0

    def start(out: Path) -> str:
        nonlocal started
        started += 1
        arguments = ["retrain", "--set", str(site), "--base", str(BASE), "--id", "tiny-1", "--out", str(out), *small]
        keeper.order(do="once", name=f"training-{started}", arguments=arguments, log=str(tmp_path / "training.log"))
        keeper.wait(lambda: keeper.has(f"training-{started}"), "the training to begin")
        return f"training-{started}"

    def finish(out: Path) -> None:
        name = start(out)
        keeper.wait(lambda: name in keeper.ends, "the training to end", 900)
        assert keeper.ends[name] == [0], (tmp_path / "training.log").read_text()[-2000:]

    try:
        begun = time.monotonic()
        finish(tmp_path / "whole")
        spent = time.monotonic() - begun
        number = 0
        while row.times < kills:
            number += 1
            out = tmp_path / f"broken-{number}"
            for _ in range(min(8, kills - row.times)):
                name = start(out)
                time.sleep(chance.uniform(0, min(spent / 6, LONGEST_S)))
                if not keeper.kill(name):
                    break  # it was through
                row.times += 1
                row.kills += 1
            finish(out)
            row.checked += 1
            record = json.loads((out / "model" / "model.json").read_text("utf-8"))
            assert record["sha256"] == hashlib.sha256((out / "model" / "model.onnx").read_bytes()).hexdigest()
            assert Grader(out / "model").model_id == "tiny-1"
            ours, theirs = (load_file(one / "model" / "weights.safetensors") for one in (out, tmp_path / "whole"))
            assert all((ours[key] == theirs[key]).all() for key in theirs), "it learned otherwise than one left alone"
            assert not list(out.rglob("*.part")), "half a file lies there"
    finally:
        keeper.close()


def test_a_service_and_its_trainings_killed_in_turn_take_each_model_in_once(
    keeper: Keeper, tmp_path: Path, pytestconfig: pytest.Config
) -> None:
    """The training itself is a stand-in that takes three seconds; what looks after it is the service's own."""
    kills = share(pytestconfig, SHARE_OF_SERVICE, 10)
    row = counted("kill -9, service or training while one is at work")
    data = tmp_path / "data"
    (tmp_path / "report.json").write_text(json.dumps(report()), "utf-8")
    settings = Settings(data=data)
    house = House.open(settings)
    with house.session() as session:
        session.add(
            DataSetRow(id="5" * 36, owner_id=LOCAL_ID, name="Yard", sha256="0" * 64, counts={}, created_at=now())
        )
        session.commit()
    house.close()
    names = {"job.PROGRAM": "PROGRAM", "training_watch.write_set": "write_set"}
    instead = {f"wearvision_api.teaching.{place}": value for place, value in names.items()}
    service = Service(keeper, "trains", data, order={"instead": instead, "stand_ins": str(STAND_INS)})
    engine, chance = open_engine(settings.database_url), random.Random()
    asked: list[str] = []
    with httpx.Client(base_url=f"{service.addresses[0]}/api/v1", timeout=30, trust_env=False) as http:
        while row.times < kills or states(http, asked)["done"] < len(asked):
            found = states(http, asked)
            if not found["waiting"] and not found["running"] and row.times < kills:
                key = {"Idempotency-Key": f"training-{len(asked)}"}
                made = persistent(http, "/trainings", json={"data_set": "Yard"}, headers=key)
                asked.append(made["id"])
            for training in asked:
                if state_of(http, training) in ("stopped", "failed"):
                    persistent(http, f"/trainings/{training}/resume", accepted=(200, 201, 409))
            if row.times >= kills:
                time.sleep(0.3)
                continue
            time.sleep(chance.uniform(0, 1.5))
            moment = time.monotonic()
            victim = chance.choice(("service", "training", "both"))
            if victim != "service":
                row.times += kill_training(data, asked)
            if victim != "training":
                row.times += keeper.kill(service.names[0])
                row.back_s.append(service.wait_ready() - moment)
            row.kills = row.times
    row.checked = look(engine, settings, asked)
    engine.dispose()
    until = time.monotonic() + 30
    while copies := [one for one in (data / "trainings").rglob("set") if one.is_dir()]:
        assert time.monotonic() < until, f"copies of photos stay: {copies}"
        time.sleep(0.2)
    service.end()


def states(http: httpx.Client, asked: Sequence[str]) -> Counter[str]:
    """How many trainings are in which state."""
    return Counter(state_of(http, one) for one in asked)


def state_of(http: httpx.Client, training: str) -> str:
    """Of one training; asks until the service is there."""
    while True:
        with suppress(httpx.TransportError):
            answer = http.get(f"/trainings/{training}")
            if answer.status_code == 200:
                return str(answer.json()["state"])
        time.sleep(0.1)


def persistent(http: httpx.Client, path: str, *, accepted: Sequence[int] = (201,), **sent: Any) -> dict[str, Any]:
    """Posts until it is answered."""
    while True:
        with suppress(httpx.TransportError):
            answer = http.post(path, **sent)
            if answer.status_code not in (502, 503):
                assert answer.status_code in accepted, answer.text
                return dict(answer.json())
        time.sleep(0.1)


def kill_training(data: Path, asked: Sequence[str]) -> int:
    """SIGKILL to the whole group of the training at work; how many were."""
    for training in asked:
        with suppress(OSError, ValueError):
            group = int((data / "trainings" / training / "group").read_text("ascii"))
            if (data / "trainings" / training / "exit").exists():
                continue
            os.killpg(group, signal.SIGKILL)
            return 1
    return 0


def look(engine: Any, settings: Settings, asked: Sequence[str]) -> int:
    """Every training that was acknowledged made one model, whole, and the record tells of it once."""
    blobs = Blobs(settings.blob_url)
    with Session(engine.execution_options(writes=False)) as session:
        trainings = {row.id: row for row in session.scalars(select(TrainingRow))}
        models = list(session.scalars(select(ModelRow)))
        assert sorted(trainings) == sorted(asked)
        assert Counter(row.training_id for row in models) == Counter(asked), "each made one model"
        assert len({row.id for row in models}) == len(models)
        for row in models:
            assert trainings[str(row.training_id)].model_id == row.id
            for digest in row.files.values():
                assert hashlib.sha256(blobs.get(digest)).hexdigest() == digest
        told = Counter(line.what for line in ledger.lines(session) if line.kind in ("training", "model"))
        assert (told["asked for"], told["trained"]) == (len(asked), len(asked))
        assert verify(ledger.lines(session)).broken is None
    return len(asked) + len(models)
