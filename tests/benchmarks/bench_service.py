"""Times the service against the library alone: ``pytest -m bench tests/benchmarks/bench_service.py -s``.

Each client uploads nothing: photos are there, and every request grades one that was graded by the library, too. Rounds
of library and service take turns, so that other work on the machine falls on both.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import numpy as np
import pytest

from wearvision import Grader

SAMPLES = Path(__file__).parents[2] / "sample_images"
CLIENTS = (1, 8, 64)
REQUESTS = {1: 20, 8: 48, 64: 192}
"""Requests a round of that many clients sends."""
LIBRARY_RUNS = 15
STARTS = 3
START_LIMIT_S = 120.0

pytestmark = pytest.mark.bench


class Process:
    """``wearvision serve`` in a folder of its own, with its start-up time."""

    def __init__(self, data: Path) -> None:
        self.log = data.with_suffix(".log")
        program = "from wearvision.cli import main; main()"
        command = [sys.executable, "-c", program, "serve", "--data", str(data), "--port", "0"]
        begun = time.perf_counter()
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(command, stderr=log)
        while "wearvision serves" not in self.log.read_text():
            assert self.process.poll() is None, self.log.read_text()
            assert time.perf_counter() - begun < START_LIMIT_S
            time.sleep(0.01)
        self.start_s = time.perf_counter() - begun
        self.address = self.log.read_text().split("wearvision serves ")[1].split()[0]

    def stop(self) -> None:
        """Ends it."""
        self.process.terminate()
        self.process.wait(60)


def round_of(address: str, photo: str, clients: int) -> dict[str, float]:
    """So many clients grade at the same time; a refused one waits as it was told and counts as refused.

    Returns:
        Seconds of the answered requests (p50, p95), and how many were answered, refused and lost.
    """
    seconds: list[float] = []
    refused = lost = 0
    lock = threading.Lock()
    share = REQUESTS[clients] // clients

    def client() -> None:
        nonlocal refused, lost
        with httpx.Client(base_url=address, timeout=120, trust_env=False) as http:
            for _ in range(share):
                while True:
                    begun = time.perf_counter()
                    try:
                        answer = http.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"})
                    except httpx.HTTPError:
                        with lock:
                            lost += 1
                        break
                    took = time.perf_counter() - begun
                    with lock:
                        refused += answer.status_code == 503
                        lost += answer.status_code not in (201, 503)
                        if answer.status_code == 201:
                            seconds.append(took)
                    if answer.status_code != 503:
                        break
                    time.sleep(float(answer.headers["retry-after"]))

    with ThreadPoolExecutor(clients) as pool:
        for future in [pool.submit(client) for _ in range(clients)]:
            future.result()
    p50, p95 = np.percentile(seconds, [50, 95])
    return {"p50_s": p50, "p95_s": p95, "answered": len(seconds), "refused": refused, "lost": lost}


def library_s(grader: Grader, photo: Path) -> float:
    """Median of what the library alone takes, one at a time."""
    times = []
    for _ in range(LIBRARY_RUNS):
        begun = time.perf_counter()
        grader.grade_part([photo], "flame_cell")
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def test_service_over_the_library(tmp_path: Path) -> None:
    """Prints a table and a line of JSON; fails where a request was lost."""
    photo = next(path for path in sorted(SAMPLES.glob("*.jpg")) if "flame_cell" in path.name)
    grader = Grader()
    library_s(grader, photo)  # warm
    starts = []
    for number in range(STARTS):
        process = Process(tmp_path / f"data{number}")
        starts.append(process.start_s)
        if number < STARTS - 1:
            process.stop()
    try:
        with httpx.Client(base_url=process.address, timeout=60, trust_env=False) as http:
            kept = http.post("/api/v1/photos", files={"file": photo.read_bytes()}).json()["id"]
            http.post("/api/v1/grades", json={"photos": [kept]}).raise_for_status()  # warm
        rounds = {}
        for clients in CLIENTS:
            alone = library_s(grader, photo)
            rounds[clients] = {"library_s": alone, **round_of(process.address, kept, clients)}
    finally:
        process.stop()
    load = os.getloadavg()[0]
    print(f"\nstart-up {statistics.median(starts):.1f} s (of {STARTS}); {os.cpu_count()} cores, load {load:.1f}")
    print("clients  library ms  p50 ms  p95 ms  p50/library  p95/library  answered  refused  lost")
    for clients, row in rounds.items():
        alone, p50, p95 = row["library_s"], row["p50_s"], row["p95_s"]
        print(
            f"{clients:7d}  {1000 * alone:10.0f}  {1000 * p50:6.0f}  {1000 * p95:6.0f}  {p50 / alone:11.2f}  "
            f"{p95 / alone:11.2f}  {row['answered']:8.0f}  {row['refused']:7.0f}  {row['lost']:4.0f}"
        )
    print(json.dumps({"start_s": starts, "load": load, "rounds": rounds}))
    assert all(row["lost"] == 0 for row in rounds.values())
    assert all(row["answered"] == REQUESTS[clients] for clients, row in rounds.items())
