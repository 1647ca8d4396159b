"""Load on the service as a company runs it: ``python -m pytest -m bench -s tests/load/bench_load.py`` (some 6 minutes).

1 to 256 phones upload, have graded and send readings, as fast as they are answered; the library grades the same picture
on the same cores before each level. After each level every acknowledged record must be in the database once and none
twice. ``WEARVISION_LOAD_SECONDS`` and ``WEARVISION_LOAD_LEVELS`` make it longer, shorter or lighter.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import subprocess
import sys
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import create_engine, text

from wearvision import Grader
from wearvision.photo import read_photo

from .fleet import Fleet, fleet, lacking

SECONDS = float(os.environ.get("WEARVISION_LOAD_SECONDS", "25"))
LEVELS = tuple(map(int, os.environ.get("WEARVISION_LOAD_LEVELS", "1,4,16,64,256").split(",")))
LIBRARY_S = 5.0
LOOKED_AT = 20
"""Photos of each level whose bytes are read back from the store."""
GROWTH = 1.25
"""How much more memory the processes may hold after the last level, done twice, than after its first time."""
PHOTO = next(iter(sorted((Path(__file__).parents[2] / "sample_images").glob("flame_cell*.jpg"))))

pytestmark = pytest.mark.bench


@dataclass
class Level:
    """What one number of phones came to.

    Attributes:
        rows: Every answer.
        library: Pictures a second that the library alone grades on all cores.
        took: Seconds from the first request to the end of the last visit.
        memory: MB of each process: before, most, after.
        lost, doubled: Acknowledged records that are not there, and records that are there twice.
    """

    phones: int
    library: float
    rows: list[dict[str, Any]] = field(default_factory=list)
    took: float = 0.0
    memory: list[tuple[float, float, float]] = field(default_factory=list)
    load: float = 0.0
    lost: int = 0
    doubled: int = 0

    def of(self, step: str, status: int | None = 201) -> list[dict[str, Any]]:
        """The rows of one kind."""
        return [one for one in self.rows if one["step"] == step and one.get("status") == status]

    def line(self) -> str:
        """As it is printed."""
        visits = [one["seconds"] for one in self.of("visit", None)]
        p50, p95, p99 = np.percentile(visits, [50, 95, 99]) if visits else (np.nan,) * 3
        steps = "  ".join(
            "/".join(f"{1000 * value:.0f}" for value in np.percentile([one["seconds"] for one in rows], [50, 95, 99]))
            if (rows := self.of(step))
            else "-"
            for step in ("photo", "grade", "reading")
        )
        busy = [one for one in self.rows if one.get("status") == 503]
        other = Counter(one["status"] for one in self.rows if one.get("status") not in (None, 201, 503))
        told = sum(one["after"] is not None for one in busy)
        rate = len(visits) / self.took
        memory = " ".join(f"{before:.0f}>{most:.0f}>{after:.0f}" for before, most, after in self.memory)
        return (
            f"{self.phones:6d} {len(visits):7d} {rate:8.2f} {rate / self.library:8.2f}  "
            f"{p50:5.2f} {p95:5.2f} {p99:5.2f}  {steps}  {len(busy)}/{told}  {dict(other) or 0}  "
            f"{self.lost}/{self.doubled}  {memory}  {self.load:.1f}"
        )


def library_rate(grader: Grader) -> float:
    """Pictures a second of the library alone with a thread for each core, reading included."""
    data, until = PHOTO.read_bytes(), time.monotonic() + LIBRARY_S

    def work(_: int) -> int:
        done = 0
        while time.monotonic() < until:
            grader.grade_part([read_photo(data)], "flame_cell")
            done += 1
        return done

    cores = os.cpu_count() or 1
    begun = time.monotonic()
    with ThreadPoolExecutor(cores) as pool:
        return sum(pool.map(work, range(cores))) / (time.monotonic() - begun)


def run_level(found: Fleet, phones: int, grader: Grader, folder: Path, number: int) -> Level:
    """So many phones for ``SECONDS``."""
    level = Level(phones, library_rate(grader))
    out = folder / f"{number}.jsonl"
    before = [one.memory_mb for one in found.ones]
    most, stop = list(before), threading.Event()

    def watch() -> None:
        while not stop.wait(0.25):
            most[:] = [max(high, one.memory_mb) for high, one in zip(most, found.ones, strict=True)]

    watcher = threading.Thread(target=watch)
    watcher.start()
    environment = {
        "WEARVISION_LOAD_PHOTO": str(PHOTO),
        "WEARVISION_LOAD_OUT": str(out),
        "WEARVISION_LOAD_SECONDS": str(SECONDS),
        "NO_PROXY": "127.0.0.1",
    }
    asked = ["-u", str(phones), "-r", str(max(1, phones)), "-t", f"{SECONDS + 1:.0f}s", "--stop-timeout", "60"]
    done = subprocess.run(
        [sys.executable, "-m", "locust", "-f", str(Path(__file__).with_name("people.py")), "--headless",
         "--only-summary", "--host", found.address, *asked],
        env=os.environ | environment, cwd=folder, capture_output=True, text=True, timeout=SECONDS + 300, check=False,
    )  # fmt: skip
    level.load = os.getloadavg()[0]
    stop.set()
    watcher.join()
    assert done.returncode == 0, done.stderr[-3000:]
    level.rows = [json.loads(line) for line in out.read_text().splitlines()]
    level.took = max(one["at"] for one in level.rows) - min(one["at"] - one["seconds"] for one in level.rows)
    after = [one.memory_mb for one in found.ones]
    level.memory = list(zip(before, most, after, strict=True))
    check(found, level)
    return level


def check(found: Fleet, level: Level) -> None:
    """Holds what was acknowledged against the database and the store."""
    engine = create_engine(found.database)
    with engine.connect() as connection:
        photos = dict(connection.execute(text("select id, sha256 from photos")).all())
        grades = Counter(connection.scalars(text("select photo_id from grade_photos")))
        grade_ids = set(connection.scalars(text("select id from grades")))
        readings = Counter(connection.scalars(text("select grade_id from readings")))
    engine.dispose()
    level.doubled += sum(many - 1 for many in Counter(photos.values()).values())
    level.doubled += sum(many - 1 for one in (grades, readings) for many in one.values() if many > 1)
    sent = level.of("photo")
    level.lost += sum(one["id"] not in photos for one in sent)
    level.lost += sum(one["id"] not in grade_ids or not grades[one["photo"]] for one in level.of("grade"))
    level.lost += sum(not readings[one["grade"]] for one in level.of("reading"))
    with pytest.MonkeyPatch.context() as patch:
        for name, value in found.store.environment.items():
            patch.setenv(name, value)
        from wearvision_api.store.blobs import Blobs

        blobs = Blobs(found.store.url)
        for one in sent[:: max(1, len(sent) // LOOKED_AT)]:
            digest = photos[one["id"]]
            level.lost += hashlib.sha256(blobs.get(digest)).hexdigest() != digest


def test_load(tmp_path: Path) -> None:
    """Prints the table; fails where a record was lost or doubled, a 503 said nothing, or memory went on growing."""
    missing = lacking()
    if missing:
        pytest.skip(f"not here: {missing}")
    grader = Grader()
    library_rate(grader)  # warm
    with fleet() as found:
        starts = ", ".join(f"{one.starts[0]:.1f}" for one in found.ones)
        warm = run_level(found, 2, grader, tmp_path, 0)
        levels = [
            run_level(found, phones, grader, tmp_path, place + 1) for place, phones in enumerate((*LEVELS, LEVELS[-1]))
        ]
    versions = ", ".join(
        f"{name} {version(name)}" for name in ("uvicorn", "fastapi", "sqlalchemy", "onnxruntime", "locust")
    )
    print(
        f"\n{os.cpu_count()} cores, Python {platform.python_version()}, {versions}; start-up {starts} s, both at once"
    )
    print("2 processes with one hand each, PostgreSQL, S3-style store, proxy, and the phones share the cores")
    print(
        " phones  visits   a sec. /library  visit p50 p95 p99 s; photo, grade, reading p50/p95/p99 ms; 503s/with",
        end=" ",
    )
    print("Retry-After; others; lost/doubled; MB before>most>after; load")
    for level in (warm, *levels):
        print(level.line())
    assert sum(level.lost for level in levels) == 0
    assert sum(level.doubled for level in levels) == 0
    for level in levels:
        refused = [one for one in level.rows if one.get("status") == 503]
        assert all(one["after"] for one in refused), "a 503 must say when to come back"
        assert not [one for one in level.rows if one.get("status") not in (None, 201, 503)]
    for first, again in zip(levels[-2].memory, levels[-1].memory, strict=True):
        assert again[2] <= GROWTH * first[2], "memory must not go on growing"
