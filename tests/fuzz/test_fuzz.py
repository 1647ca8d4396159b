"""Readers of what strangers send: changed inputs by a fixed seed, and with ``-m slow`` a walk guided by coverage.

Held against our own promise alone: a typed error or a sound answer, in bounded time and memory. Inputs that once broke
a reader lie in ``found/``, named target--what-it-was.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest
from fuzz_targets import TARGETS
from mutate import mutated

FOUND = Path(__file__).parent / "found"
TRIED = {"return-tag": 12, "set-archive": 60, "photo": 150, "bare-photo": 150}
"""Inputs for a target where one costs much; of the others several hundred."""


@pytest.mark.parametrize("file", sorted(FOUND.iterdir()), ids=lambda file: file.name)
def test_what_once_broke_a_reader_breaks_it_no_more(file: Path) -> None:
    TARGETS[file.name.partition("--")[0]].run(file.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_well_formed_and_changed_inputs_break_nothing(name: str) -> None:
    target, started = TARGETS[name], time.process_time()
    seeds = list(target.seeds())
    count = TRIED.get(name, 400)
    for data in [*seeds, *mutated(seeds, target.words, count, target.most_bytes, seed=7)]:
        target.run(data)
    print(f"{name}: {len(seeds) + count} inputs in {time.process_time() - started:.1f} s of processor time")


@pytest.mark.slow
def test_walk_guided_by_coverage_breaks_nothing(tmp_path: Path) -> None:
    """Half a minute for each target; ``tests/fuzz/run.py`` runs as long as it is told."""
    pytest.importorskip("atheris", reason="the extra `fuzz` is not installed")
    command = [sys.executable, str(Path(__file__).parent / "run.py"), "--seconds", "30", "--found", str(tmp_path)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    print(ended.stdout)
    assert ended.returncode == 0, ended.stdout[-3000:]
