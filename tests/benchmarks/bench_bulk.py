"""Times many photos: ``pytest -m bench -s tests/benchmarks/bench_bulk.py``. The real command in a process of its own.

Photos are the sample images, under other names by hard links. "Processor" is processor time, which other work on the
machine does not stretch; the clock's figures want a quiet machine. The plan for ten million photos is reckoned from
what the runs before it measured, in the same call.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import psutil
import pytest

from wearvision.bulk.crew import cores_here

pytestmark = pytest.mark.bench
SAMPLES = sorted((Path(__file__).parents[2] / "sample_images").glob("*.jpg"))
PHOTOS = 124
REAL = 100
"""In the runs for memory one file in so many is a photo, the others cannot be read: what is listed, handed over,
written and remembered is the same, and 20,000 take minutes."""
MILLIONS = 10_000_000
MEASURED: dict[str, float] = {}
"""Figures for the plan."""


@dataclass(frozen=True)
class Cost:
    """What a run of the command took.

    Attributes:
        clock_s: From start to end.
        lead_s: Processor time of the process that leads, s.
        all_s: Processor time of all processes, s.
        lead_mib: Most memory of the process that leads.
        worker_mib: Most memory of any other.
    """

    clock_s: float
    lead_s: float
    all_s: float
    lead_mib: float
    worker_mib: float


def run(*words: object) -> Cost:
    """Runs ``wearvision grade`` and looks at its processes ten times a second."""
    command = [sys.executable, "-c", "from wearvision.cli import main; main()", "grade", *map(str, words)]
    started, seen, lead_mib, worker_mib, lead_s = time.perf_counter(), {}, 0.0, 0.0, 0.0
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
        lead = psutil.Process(process.pid)
        while process.poll() is None:
            try:
                lead_mib = max(lead_mib, lead.memory_info().rss / 2**20)
                lead_s = _spent(lead)
                for child in lead.children(recursive=True):
                    worker_mib = max(worker_mib, child.memory_info().rss / 2**20)
                    seen[child.pid] = _spent(child)
            except psutil.Error:  # it ended meanwhile
                pass
            time.sleep(0.1)
    return Cost(time.perf_counter() - started, lead_s, lead_s + sum(seen.values()), lead_mib, worker_mib)


def _spent(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system)


def links(folder: Path, count: int) -> Path:
    folder.mkdir()
    for number in range(count):
        os.link(SAMPLES[number % len(SAMPLES)], folder / f"{number:06d}.jpg")
    return folder


def mixed(folder: Path, count: int) -> Path:
    """Few photos among many files that are none."""
    folder.mkdir()
    (folder / "none").write_text("no picture")
    for number in range(count):
        source = folder / "none" if number % REAL else SAMPLES[number // REAL % len(SAMPLES)]
        try:
            os.link(source, folder / f"{number:06d}.jpg")
        except OSError:  # a file may have only so many links
            (folder / f"{number:06d}.jpg").write_text("no picture")
    return folder


def head(title: str) -> None:
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    said = ", ".join(f"{name} {version(name)}" for name in ("dask", "pyarrow", "onnxruntime", "opencv-python-headless"))
    print(f"\n{title}\n{cores_here()} cores, load {load}, Python {platform.python_version()}, {said}")


def size_of(path: Path) -> int:
    return sum(one.stat().st_size for one in path.rglob("*")) if path.is_dir() else path.stat().st_size


def test_throughput_of_cores_and_of_dask_workers(tmp_path: Path) -> None:
    folder = links(tmp_path / "photos", PHOTOS)
    few = links(tmp_path / "few", 16)
    head(f"{PHOTOS} sample photos; start-up is taken out by the same run over {len(list(few.iterdir()))}")
    print(f"{'':24}{'photos/s':>9}{'against one core':>18}{'processor ms a photo':>22}{'of it leading':>15}")
    base = 0.0
    ways = [(f"{cores} core{'s' * (cores > 1)}", ["--cores", cores], "jsonl") for cores in (1, 2)]
    ways += [(f"Dask, {cores} worker{'s' * (cores > 1)}", ["--cores", cores], "parquet") for cores in (1, 2, 4)]
    for number, (title, words, form) in enumerate(ways):
        out = tmp_path / f"r{number}.{form}"
        short = run(few, *words, "--out", tmp_path / f"s{number}.{form}")
        long = run(folder, *words, "--out", out)
        more = PHOTOS - 16
        rate = more / (long.clock_s - short.clock_s)
        base = base or rate
        spent, lead = (1e3 * (getattr(long, name) - getattr(short, name)) / more for name in ("all_s", "lead_s"))
        print(f"{title:24}{rate:9.2f}{rate / base:17.2f}x{spent:22.0f}{lead:15.2f}")
        MEASURED[f"ms {form}"] = min(spent, MEASURED.get(f"ms {form}", spent))
        MEASURED[f"bytes {form}"] = size_of(out) / PHOTOS
    MEASURED["bytes photo"] = size_of(folder) / PHOTOS
    for form in ("jsonl", "parquet"):
        print(f"results, {form}: {MEASURED[f'bytes {form}']:,.0f} bytes a photo")


@pytest.mark.parametrize("way", [["--cores", "2"], ["--cores", "2", "--scheduler", "local"]], ids=["cores", "dask"])
def test_memory_is_flat(tmp_path: Path, way: list[str]) -> None:
    head(f"Most memory, {' '.join(way)}; one file in {REAL} is a photo, the others cannot be read")
    print(f"{'files':>8}{'leading, MiB':>14}{'any worker, MiB':>17}{'clock s':>9}{'leading, processor ms a file':>30}")
    first = last = None
    for count in (200, 2_000, 20_000):
        folder = mixed(tmp_path / f"m{count}", count)
        last = run(folder, *way, "--out", tmp_path / f"r{count}.{'parquet' if '--scheduler' in way else 'jsonl'}")
        first = first or last
        spent = 1e3 * (last.lead_s - first.lead_s) / (count - 200) if count > 200 else float("nan")
        print(f"{count:8,}{last.lead_mib:14.0f}{last.worker_mib:17.0f}{last.clock_s:9.1f}{spent:30.2f}")
    if "--scheduler" in way:
        MEASURED["lead ms"] = spent


def test_plan_for_ten_million(tmp_path: Path) -> None:
    """Reckoned, not run: from the figures above and what stands beside each line."""
    if "ms parquet" not in MEASURED or "lead ms" not in MEASURED:
        pytest.skip("reckoned from the runs above, in the same call")
    batch, photo_bytes = 256, 3_000_000
    hours = MILLIONS * MEASURED["ms parquet"] / 1e3 / 3600
    lead_hours = MILLIONS * MEASURED["lead ms"] / 1e3 / 3600
    most = int(hours / lead_hours)
    head("Ten million photos by Dask, reckoned")
    rows = [
        ("processor time, all workers", f"{hours:,.0f} core hours", f"{MEASURED['ms parquet']:.0f} ms a sample photo"),
        ("the same, clock", f"{hours / 64:,.1f} h on 64 cores, {hours / 512:,.1f} h on 512", "no other limit reached"),
        ("client and scheduler", f"{lead_hours:,.1f} core hours", f"{MEASURED['lead ms']:.2f} ms a file, one process"),
        ("cores that one scheduler keeps busy", f"about {most:,}", "the two lines above"),
        ("batches, part files", f"{MILLIONS // batch:,}", f"{batch} photos each"),
        ("task messages", f"{MILLIONS * 150 / 1e9:.1f} GB", "about 150 bytes an address (assumed)"),
        ("photos read", f"{MILLIONS * photo_bytes / 1e12:.0f} TB", "3 MB a photo (assumed)"),
        ("results, Parquet", f"{MILLIONS * MEASURED['bytes parquet'] / 1e9:.0f} GB", "measured a photo"),
        ("results, JSON lines", f"{MILLIONS * MEASURED['bytes jsonl'] / 1e9:.0f} GB", "measured a photo"),
        ("lost with a worker, at most", f"{batch * MEASURED['ms parquet'] / 1e3:.0f} s of one core", "one batch"),
    ]
    for name, value, source in rows:
        print(f"{name:38}{value:42}{source}")
