"""Hostile photos end to end: library, command and service refuse or read them in bounded memory.

What is expected is our own word (``errors.py``); the files follow their forms' published layouts (PNG, TIFF 6.0, BMP,
GIF89a, JPEG T.81, ISO/IEC 23008-12). ``-m slow -s`` prints memory and time of each.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hostile_photos import PHOTOS

MOST_MB = 700
"""Of a process that reads one photo; the interpreter with its libraries takes some 60 of it."""
MOST_OF_THE_LARGEST_MB = 1000
"""Of the largest photos that are read: 119 million pixels of JPEG, 49 million of WebP."""
READ = """
import json, sys, time
from wearvision.capture import read_capture
from wearvision.errors import PhotoError
from wearvision.photo import read_photo
from wearvision.return_tag import read_return_tags
started = time.process_time()
data = open(sys.argv[1], "rb").read()
try:
    photo, code = read_photo(data), None
    read_capture(data).signs_of_change()
    read_return_tags(photo)
except PhotoError as error:
    code = error.code
peak = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(json.dumps([code, peak // 1024, round(time.process_time() - started, 2)]))
"""
LINUX = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read as Linux tells it")


def _one_thread() -> dict[str, str]:
    return os.environ | {"OMP_NUM_THREADS": "1"}


@LINUX
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.slow] if one.is_slow else []) for name, one in PHOTOS.items()]
)
def test_library_reads_or_refuses_in_bounded_memory(name: str, tmp_path: Path) -> None:
    """In a process of its own, so that the peak is that of this file alone."""
    file = tmp_path / "photo"
    file.write_bytes(PHOTOS[name].make())
    ended = subprocess.run(
        [sys.executable, "-c", READ, str(file)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        env=_one_thread(),
    )
    assert ended.returncode == 0, ended.stderr[-800:]
    code, peak, seconds = json.loads(ended.stdout)
    size = f"{file.stat().st_size:,} bytes"
    print(f"{name:30s} {size:>17s} {code or 'read':14s} {peak:>5} MB {seconds:>6.2f} s processor")
    assert code == PHOTOS[name].code
    assert peak <= (MOST_OF_THE_LARGEST_MB if PHOTOS[name].is_slow else MOST_MB)


@LINUX
@pytest.mark.slow
def test_command_goes_through_all_of_them(tmp_path: Path) -> None:
    """One call for all: it ends by itself and says of each what it is."""
    names = [name for name, one in PHOTOS.items() if one.code is not None or not one.is_slow]
    for number, name in enumerate(names):
        (tmp_path / f"{number:02d}<script>.jpg").write_bytes(PHOTOS[name].make())
    started = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "wearvision.cli", "grade", *map(str, sorted(tmp_path.iterdir())), "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=_one_thread(),
    )  # fmt: skip
    said, trouble = process.communicate(timeout=600)
    lines = [json.loads(line) for line in said.splitlines()]
    spent = f"{time.monotonic() - started:.1f} s, load {os.getloadavg()[0]:.1f}"
    print(f"{len(lines)} hostile files through the command in {spent}")
    assert process.returncode == 1, trouble[-800:]
    assert "Traceback" not in trouble
    assert len(lines) == len(names)
    for name, line in zip(names, lines, strict=True):
        assert _code(line) == PHOTOS[name].code, name


def _code(line: dict[str, object]) -> object:
    error = line.get("error", line)
    return error.get("code") if isinstance(error, dict) else None
