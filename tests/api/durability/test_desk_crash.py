"""The returns desk under SIGKILL: what was answered is there once, nothing by half, and the record is whole."""

from __future__ import annotations

import collections
import random
import sqlite3
import threading
import time
import uuid
from pathlib import Path
from typing import Any

import httpx

from .process import Served, different, run

CRASHES = 2


class Counter(threading.Thread):
    """Settles one return after another until the service dies; keeps each step's key, address, body and answer."""

    def __init__(self, served: Served, small: bytes, seed: int) -> None:
        super().__init__()
        self.served, self.small, self.moments = served, small, random.Random(seed)
        self.steps: list[tuple[str, str, dict[str, Any], bool]] = []

    def step(self, address: str, **sent: Any) -> dict[str, Any]:
        """Sends with a key of its own; raises httpx.HTTPError when the service dies."""
        key = str(uuid.UUID(int=self.moments.getrandbits(128)))
        self.steps.append((key, address, sent, False))
        answer = send(self.served, key, address, sent)
        assert answer.status_code == 201, answer.text
        self.steps[-1] = (key, address, sent, True)
        return answer.json()  # type: ignore[no-any-return]

    def run(self) -> None:
        """Takes in, adds a photo, states reasons, decides."""
        try:
            while True:
                made = self.step("", json={"part": "flame_cell", "machine": f"H-{self.moments.getrandbits(9)}"})
                place = f"/{made['id']}"
                photo = different(self.small, self.moments.getrandbits(60))
                made = self.step(f"{place}/photos", files={"file": ("p.jpg", photo)}, data={"view": "face"})
                for item in [one["key"] for one in made["missing"]]:
                    self.step(f"{place}/waivers", json={"item": item, "reason": "Not to be had."})
                self.step(f"{place}/decisions", json={"outcome": "accept", "reason": "As seen."})
        except httpx.HTTPError:
            return


def send(served: Served, key: str, address: str, sent: dict[str, Any]) -> httpx.Response:
    """One step at the desk."""
    return served.http.post(f"/api/v1/returns{address}", headers={"Idempotency-Key": key}, **sent)


def test_steps_at_the_desk_survive_kill_whole_and_once(tmp_path: Path, small: bytes) -> None:
    data, seed = tmp_path / "data", random.randrange(1000)
    moments = random.Random(seed)
    steps: list[tuple[str, str, dict[str, Any], bool]] = []
    for crash in range(CRASHES):
        with Served(data) as served:
            people = [Counter(served, small, seed * 100 + crash * 10 + number) for number in range(2)]
            for one in people:
                one.start()
            enough, until = moments.randrange(30, 45), time.monotonic() + 90
            while sum(len(one.steps) for one in people) < enough and time.monotonic() < until:
                time.sleep(moments.random() / 10)
            served.kill()
            for one in people:
                one.join()
                steps += one.steps
    assert sum(answered for *_, answered in steps) >= 10, "too little was answered to show anything"
    verified = run("verify", "--photos", "--data", str(data))
    assert verified.returncode == 0, f"seed {seed}: {verified.stdout}{verified.stderr}"
    with Served(data) as served:
        for key, address, sent, _ in steps:
            again = send(served, key, address, sent)
            assert again.status_code == 201, f"seed {seed}: {again.text}"
        assert served.stop() != 1
    with sqlite3.connect(data / "wearvision.sqlite") as database:
        told = dict(database.execute("select what, count(*) from record_entries where kind = 'return' group by what"))
        there = {
            what: database.execute(f"select count(*) from {table}").fetchone()[0]
            for what, table in (
                ("opened", "returns"),
                ("photo added", "return_photos"),
                ("done without", "waivers"),
                ("decided", "decisions"),
                ("flagged", "flags"),
            )
        }
    database.close()
    assert {what: told.get(what, 0) for what in there} == there, f"seed {seed}"
    asked = collections.Counter(address.rpartition("/")[2] if address else "opened" for _, address, *_ in steps)
    assert (asked["opened"], asked["photos"], asked["waivers"], asked["decisions"]) == tuple(
        there[what] for what in ("opened", "photo added", "done without", "decided")
    ), f"seed {seed}"
    assert run("verify", "--photos", "--data", str(data)).returncode == 0
