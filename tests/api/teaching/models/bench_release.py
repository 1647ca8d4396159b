"""A release under load drops no request: ``pytest -m bench tests/api/teaching/models/bench_release.py -s``.

Clients grade without pause against two served processes on one database while a model is released and taken back five
times. Counted are answers, errors, and which model each answer names; SQLite with one process as well.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

import wearvision_models
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.teaching import models

SAMPLES = Path(__file__).parents[4] / "sample_images"
RELEASED = Path(wearvision_models.__file__).parent / wearvision_models.DEFAULT
KEY = "site-bench-1"
CLIENTS = 8
ROUNDS = 5
APART_S = 4.0
"""Between a release and the taking back: longer than the two seconds in which every process looks."""
START_LIMIT_S = 180.0
PICKED_UP_S = 15.0

pytestmark = pytest.mark.bench


class Served:
    """A process of its own that serves."""

    def __init__(self, folder: Path, *options: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.log = folder / "serve.log"
        command = [sys.executable, "-c", "from wearvision.cli import main; main()", "serve", "--port", "0"]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen([*command, "--data", str(folder), *options], stderr=log)
        begun = time.perf_counter()
        while "wearvision serves" not in self.log.read_text():
            assert self.process.poll() is None, self.log.read_text()
            assert time.perf_counter() - begun < START_LIMIT_S
            time.sleep(0.05)
        self.address = self.log.read_text().split("wearvision serves ")[1].split()[0]

    def stop(self) -> None:
        """Ends it, and holds it to a clean end."""
        self.process.terminate()
        assert self.process.wait(60) in (0, -signal.SIGTERM)  # the server passes the signal on once all is finished
        assert "Traceback" not in self.log.read_text()


def second_model(folder: Path) -> Path:
    """The released model under another id, with wider intervals."""
    folder.mkdir(parents=True)
    shutil.copy(RELEASED / "model.onnx", folder)
    record = json.loads((RELEASED / "model.json").read_text("utf-8"))
    joint = record["calibration"]["joint"]
    record["calibration"]["joint"] = {part: factor and factor * 1.5 for part, factor in joint.items()}
    (folder / "model.json").write_text(json.dumps(record | {"id": KEY}), "utf-8")
    return folder


def take_in(settings: Settings, folder: Path) -> None:
    """Puts the second model into the store of services that run."""
    from sqlalchemy.orm import Session

    engine = open_engine(settings.database_url)
    migrate(engine)
    with Session(engine) as session:
        given = {"owner_id": LOCAL_ID, "base": "mixed-2", "report": {}, "gate": {}}
        models.keep(session, Blobs(settings.blob_url), folder, **given)
        session.commit()
    engine.dispose()


@pytest.fixture(params=["sqlite, one process", "postgresql, two processes"])
def services(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, list[Served]]]:
    name, shared = str(request.param), f"file://{tmp_path / 'blobs'}"
    address = "" if name.startswith("sqlite") else str(request.getfixturevalue("new_postgres")())
    options = ["--blobs", shared, *(["--database", address] if address else [])]
    served = [Served(tmp_path / f"data{number}", *options) for number in range(2 if address else 1)]
    try:
        take_in(Settings(data=tmp_path / "data0", database=address, blobs=shared), second_model(tmp_path / KEY))
        yield name, served
    finally:
        for one in served:
            one.stop()


def wait_for(done: Callable[[], bool]) -> float:
    """Seconds until something is so."""
    begun = time.perf_counter()
    while not done():
        assert time.perf_counter() - begun < PICKED_UP_S
        time.sleep(0.05)
    return time.perf_counter() - begun


def test_a_release_under_load_drops_no_request(services: tuple[str, list[Served]]) -> None:
    name, served = services
    photo_file = next(path for path in sorted(SAMPLES.glob("flame_cell*.jpg")))
    first = served[0].address
    with photo_file.open("rb") as file:
        photo = httpx.post(f"{first}/api/v1/photos", files={"file": file}, timeout=60, trust_env=False).json()["id"]
    answers: list[tuple[int, str, float]] = []
    refused, errors, stop, lock = Counter[int](), list[str](), threading.Event(), threading.Lock()

    def client(number: int) -> None:
        place = number % len(served)
        with httpx.Client(base_url=served[place].address, timeout=120, trust_env=False) as http:
            while not stop.is_set():
                begun = time.perf_counter()
                try:
                    answer = http.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"})
                except httpx.HTTPError as error:
                    with lock:
                        errors.append(repr(error))
                    continue
                took = time.perf_counter() - begun
                with lock:
                    if answer.status_code == 201:
                        answers.append((place, answer.json()["report"]["model"]["id"], took))
                    elif answer.status_code == 503 and "retry-after" in answer.headers:
                        refused[place] += 1
                    else:
                        errors.append(f"{answer.status_code} {answer.text[:200]}")

    threads = [threading.Thread(target=client, args=(number,)) for number in range(CLIENTS)]
    begun = time.perf_counter()
    for thread in threads:
        thread.start()
    picked_up: list[float] = []
    try:
        for _ in range(ROUNDS):
            for path, body, wanted in (
                (f"/api/v1/models/{KEY}/release", {"reason": "the bench: the report is empty"}, KEY),
                (f"/api/v1/models/{KEY}/take-back", {}, "mixed-2"),
            ):
                # a connection of its own: one that idles is closed by the server, perhaps just then
                httpx.post(f"{first}{path}", json=body, timeout=60, trust_env=False).raise_for_status()
                for one in served[1:]:
                    picked_up.append(wait_for(lambda one=one, wanted=wanted: _ready(one) == wanted))
                assert _ready(served[0]) == wanted
                time.sleep(APART_S)
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    seconds = time.perf_counter() - begun
    named = Counter((place, model) for place, model, _ in answers)
    times = sorted(took for _, _, took in answers)
    print(
        f"\n{name}: {len(answers)} answers in {seconds:.0f} s from {CLIENTS} clients while the model changed "
        f"{2 * ROUNDS} times; errors {len(errors)}, told to come back {sum(refused.values())}"
    )
    print(f"by process and model: {dict(sorted(named.items()))}")
    median, longest = 1000 * times[len(times) // 2], 1000 * times[-1]
    print(f"median {median:.0f} ms, longest {longest:.0f} ms; load {os.getloadavg()[0]:.1f}")
    if picked_up:
        print(f"the other process followed after {min(picked_up):.1f} to {max(picked_up):.1f} s")
    assert errors == []
    assert {model for _, model, _ in answers} == {"mixed-2", KEY}
    assert {place for place, _ in named} == set(range(len(served)))


def _ready(one: Served) -> Any:
    return httpx.get(f"{one.address}/readyz", timeout=60, trust_env=False).raise_for_status().json()["model"]
