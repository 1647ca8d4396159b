"""Times the search for shared details among a million photos, beside a scan of all of them in memory.

``python -m pytest -m bench -s tests/api/honesty/bench_search.py``; minutes, and 2 GB of disk.

The photos are made up from the marks of real ones (sample images, photographs that packages carry), in two ways.
``unrelated``: each mark is that of a detail of any of them, its coefficients shaken until two photos share a mark as
often as two different real ones do. ``lookalikes``, the hard one: each photo takes all marks of one of them, 18,500 the
same, with every bit turned by a chance of an eighth, and one in ten lies on one of a thousand benches that give all
photos on it eight marks alike. Real photos are then put among them, and looked for by edited copies. Time is given on
the clock and, for SQLite, which works in this process, as processor time too; others may be at work on the machine.
"""

from __future__ import annotations

import json
import os
import sqlite3
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import psycopg
import pytest
import skimage
import sklearn
from sqlalchemy import Engine, text
from sqlalchemy.orm import Session

from wearvision_api.honesty.details import BITS, Marked, mark
from wearvision_api.honesty.index import KEPT, MOST_ROWS, nearest
from wearvision_api.honesty.picture import normal_picture, pack, unpack
from wearvision_api.settings import Settings
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.store.honesty_tables import Mark

from .edits import anyhow

PHOTOS = 1_000_000
QUERIES = 200
WARM_UP = 20
TURNED = 3
"""A bit of a made-up mark differs from that of the photo it is taken from by a chance of a half to this power."""
BENCHES, ON_BENCH, OF_BENCH = 1000, 0.1, 8

pytestmark = pytest.mark.bench
_CARRIED = (Path(skimage.__file__).parent / "data", Path(sklearn.__file__).parent / "datasets" / "images")


def pictures(samples: Path) -> list[np.ndarray]:
    """Photos and photographs of some size."""
    found = sorted(samples.glob("*.jpg")) + sorted(path for folder in _CARRIED for path in folder.glob("*.[jp][pn]g"))
    read = [cv2.imread(str(path)) for path in found]
    return [cv2.cvtColor(one, cv2.COLOR_BGR2RGB) for one in read if min(one.shape[:2]) >= 256]


def marked(picture: np.ndarray) -> Marked:
    """As it is kept."""
    return mark(unpack(pack(normal_picture(picture))))


def agreeing(marks: np.ndarray) -> float:
    """Chance that one mark of a row is one of another row."""
    times = np.unique(marks, return_counts=True)[1]
    own = sum((np.unique(row, return_counts=True)[1].astype(float) ** 2).sum() for row in marks)
    return float(((times.astype(float) ** 2).sum() - own) / (marks.size**2 - len(marks) * marks.shape[1] ** 2))


def shaken(pool: np.ndarray, rng: np.random.Generator, photos: int, by: float) -> np.ndarray:
    """Marks of made-up photos: details by chance of all photos, with noise of this deviation on their coefficients."""
    weights = (1 << np.arange(BITS)).astype(np.float32)
    marks = np.empty((photos, KEPT), np.int32)
    flat = pool.reshape(-1, BITS)
    for part in np.array_split(np.arange(photos), max(1, photos // 20_000)):
        chosen = flat[rng.integers(len(flat), size=len(part) * KEPT)]
        noisy = chosen + np.float32(by) * rng.standard_normal(chosen.shape, dtype=np.float32)
        marks[part] = ((noisy > 0) @ weights).reshape(-1, KEPT)
    return marks


def unrelated(real: list[Marked]) -> np.ndarray:
    """Marks of a million photos that have no more to do with each other than the real ones."""
    rng = np.random.default_rng(21)
    pool = np.stack([one.coefficients[:KEPT] for one in real if len(one.marks) >= KEPT])
    wanted = agreeing(np.stack([one.marks[:KEPT] for one in real if len(one.marks) >= KEPT]))
    low, high = 0.0, 1.0
    for _ in range(7):
        by = (low + high) / 2
        often = agreeing(shaken(pool, rng, 4000, by))
        low, high = (by, high) if often > wanted else (low, by)
    print(json.dumps({"two marks agree": wanted, "made up": often, "shaken by": by}))
    return shaken(pool, rng, PHOTOS, by)


def lookalikes(real: list[Marked]) -> np.ndarray:
    """Marks of a million photos of which thousands each look like one real photo."""
    rng = np.random.default_rng(20)
    pool = np.stack([one.marks[:KEPT] for one in real if len(one.marks) >= KEPT])
    marks = pool[rng.integers(len(pool), size=PHOTOS)].astype(np.int32)
    turned = np.full_like(marks, (1 << BITS) - 1)
    for _ in range(TURNED):
        turned &= rng.integers(1 << BITS, size=marks.shape, dtype=np.int32)
    marks ^= turned
    benches = pool[rng.integers(len(pool), size=BENCHES), :OF_BENCH] ^ rng.integers(1 << BITS, size=(BENCHES, 1))
    lies = np.flatnonzero(rng.random(PHOTOS) < ON_BENCH)
    marks[lies, :OF_BENCH] = benches[rng.integers(BENCHES, size=len(lies))]
    return marks


def in_order(marks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Marks and numbers of photos in the table's order, no mark more often than the index keeps it."""
    numbers = np.repeat(np.arange(1, PHOTOS + 1, dtype=np.int32), KEPT)
    rows = np.sort((marks.ravel().astype(np.int64) << 32) | numbers)
    rows = rows[np.append(True, rows[1:] != rows[:-1])]
    keys = rows >> 32
    place = np.arange(len(rows)) - np.searchsorted(keys, keys)
    rows = rows[place < MOST_ROWS]
    return (rows >> 32).astype(np.int32), (rows & 0xFFFFFFFF).astype(np.int32)


def fill(engine: Engine, marks: np.ndarray, numbers: np.ndarray) -> None:
    """Writes the rows the quickest way each database has."""
    if engine.dialect.name == "sqlite":
        with sqlite3.connect(str(engine.url.database), isolation_level=None) as connection:
            connection.execute("pragma synchronous=off")
            connection.execute("begin")
            for start in range(0, len(marks), 1_000_000):
                part = slice(start, start + 1_000_000)
                rows = zip(marks[part].tolist(), numbers[part].tolist(), strict=True)
                connection.executemany("insert into likeness_marks values (?, ?)", rows)
            connection.execute("commit")
        return
    with engine.connect() as connection:
        connection.execute(text("alter table likeness_marks drop constraint pk_likeness_marks"))
        driver = connection.connection.driver_connection
        assert isinstance(driver, psycopg.Connection)
        with driver.cursor().copy("copy likeness_marks from stdin") as copy:
            for start in range(0, len(marks), 100_000):
                part = slice(start, start + 100_000)
                pairs = zip(marks[part].tolist(), numbers[part].tolist(), strict=True)
                copy.write("".join(f"{key}\t{number}\n" for key, number in pairs))
        connection.execute(text("set maintenance_work_mem = '512MB'"))
        named = "alter table likeness_marks add constraint pk_likeness_marks primary key (mark, number)"
        connection.execute(text(named))
        connection.commit()
        connection.execute(text("analyze likeness_marks"))
        connection.commit()


def scan(marks: np.ndarray, numbers: np.ndarray, probes: np.ndarray) -> int:
    """The photo with most marks among the probes, by looking at every row."""
    wanted = np.zeros(1 << BITS, bool)
    wanted[probes.ravel()] = True
    return int(np.bincount(numbers[wanted[marks]]).argmax())


def spread(seconds: list[float]) -> dict[str, float]:
    """Median and 95th percentile in milliseconds."""
    cuts = statistics.quantiles(seconds, n=20)
    return {"p50_ms": round(1000 * statistics.median(seconds), 2), "p95_ms": round(1000 * cuts[18], 2)}


@pytest.mark.parametrize("population", [unrelated, lookalikes])
@pytest.mark.parametrize("kind", ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def test_search_among_a_million(
    kind: str,
    population: Callable[[list[Marked]], np.ndarray],
    tmp_path: Path,
    samples: Path,
    request: pytest.FixtureRequest,
) -> None:
    new: Callable[[], str] | None = request.getfixturevalue("new_postgres") if kind == "postgres" else None
    engine = open_engine(Settings(data=tmp_path / "data", database=new() if new else "").database_url)
    migrate(engine)
    shown = pictures(samples)
    real = [marked(picture) for picture in shown]
    marks, numbers = in_order(population(real))
    begun = time.perf_counter()
    fill(engine, marks, numbers)
    built = time.perf_counter() - begun
    with Session(engine) as session:
        for place, own in enumerate(real, start=1):
            session.add_all(Mark(key=key, number=PHOTOS + place) for key in dict.fromkeys(own.marks[:KEPT].tolist()))
        session.commit()
    rng = np.random.default_rng(4)
    asked = [number % len(shown) for number in range(WARM_UP + QUERIES)]
    probes = [mark(unpack(pack(normal_picture(anyhow(shown[one], rng))))).probes() for one in asked]
    seconds: list[float] = []
    busy: list[float] = []
    first = listed = 0
    for one, wanted in zip(asked, probes, strict=True):
        with Session(engine.execution_options(writes=False)) as session:
            begun, worked = time.perf_counter(), time.process_time()
            found = nearest(session, wanted, 10)
            busy.append(time.process_time() - worked)
            seconds.append(time.perf_counter() - begun)
        first += found[:1] == [PHOTOS + one + 1]
        listed += PHOTOS + one + 1 in found
    scans = []
    for wanted in probes[:20]:
        begun = time.perf_counter()
        scan(marks, numbers, wanted)
        scans.append(time.perf_counter() - begun)
    index, whole = spread(seconds[WARM_UP:]), spread(scans)
    result = {
        "database": kind,
        "population": population.__name__,
        "photos": PHOTOS,
        "rows": len(marks),
        "build_s": round(built, 1),
        "search": index,
        "processor": spread(busy[WARM_UP:]),
        "load": round(os.getloadavg()[0], 1),
        "scan": whole,
        "scan_over_search": round(whole["p50_ms"] / index["p50_ms"], 1),
        "edited_copies": len(asked),
        "best": first,
        "among_ten": listed,
    }
    print(json.dumps(result))
    assert listed >= 0.9 * len(asked)
    engine.dispose()
