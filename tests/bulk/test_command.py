"""``wearvision grade`` with many photos, as a process that is stopped, and its usage."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
from click.testing import CliRunner, Result

from wearvision.bulk.results import read_records
from wearvision.cli import main

COMMAND = [sys.executable, "-c", "from wearvision.cli import main; main()", "grade"]
TWELVE = [f"{number:02d}.jpg" for number in range(12)]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["grade", *map(str, arguments)])


def test_many_photos_come_in_order_as_lines_and_say_where_they_lie(small: Path, model_folder: Path) -> None:
    result = run(small, "--json", "--model", model_folder, "--cores", 2)
    found = [json.loads(line) for line in result.stdout.splitlines()]
    assert result.exit_code == 0
    assert [one["photo"] for one in found] == TWELVE
    assert [Path(one["source"]["address"]) for one in found] == [small / name for name in TWELVE]


def test_many_photos_come_in_order_as_tables(small: Path, model_folder: Path) -> None:
    result = run(small, "--brief", "--model", model_folder, "--cores", 2)
    places = [result.stdout.index(f"{name}  ") for name in TWELVE]
    assert places == sorted(places)


@pytest.mark.parametrize(("number", "status"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_a_signal_ends_it_cleanly_with_all_that_is_done(
    small: Path, model_folder: Path, tmp_path: Path, number: int, status: int
) -> None:
    folder, out = tmp_path / "many", tmp_path / "r.jsonl"
    folder.mkdir()
    for place in range(600):
        os.link(small / TWELVE[place % 12], folder / f"{place:03d}.jpg")
    words = [*COMMAND, str(folder), "--model", str(model_folder), "--out", str(out), "--cores", "2"]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline and not (out.exists() and out.stat().st_size):
            time.sleep(0.05)
        workers = psutil.Process(process.pid).children()
        process.send_signal(number)
        said = process.communicate(timeout=60)[1]
    assert process.returncode == status
    assert "the same command goes on from here" in said
    found = [record["photo"] for record in read_records(out)]
    assert found == [f"{place:03d}.jpg" for place in range(len(found))]
    assert 1 <= len(found) < 600
    assert out.read_bytes().endswith(b"\n")
    assert not psutil.wait_procs(workers, timeout=30)[1]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--together", "--out", "r.jsonl"], "goes with neither"),
        (["--scheduler", "local"], "needs --out"),
        (["--scheduler", "local", "--out", "r", "--overlay", "o"], "makes no --overlay"),
        (["--out", "r.jsonl", "--model", "no-such"], "no-such"),
    ],
)
def test_wrong_usage_is_told_before_any_work(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run(small, *words)
    assert result.exit_code == 2
    assert message in result.stderr
    assert list(tmp_path.iterdir()) == []
