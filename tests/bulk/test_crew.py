"""Worker processes: order, and what is left when they end under an item. Real processes, really killed."""

from __future__ import annotations

import itertools
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from wearvision.bulk.crew import AHEAD, work_through
from wearvision.errors import BulkError


def children() -> set[int]:
    """Processes that this one has started and that still run."""
    return {child.pid for child in psutil.Process().children() if child.status() != psutil.STATUS_ZOMBIE}


def test_answers_come_in_the_order_of_the_items(odd) -> None:
    items = ["slow", *(f"item{number}" for number in range(9)), "print"]
    assert list(work_through(odd(), items, 2)) == [(item, item.upper()) for item in items]


def test_a_process_that_ends_costs_its_item_at_most(odd) -> None:
    items = ["a", "die", "b", "once", "c", "raise", "d"]
    answers = dict(work_through(odd(), items, 2))
    assert answers == {
        "a": "A", "die": "worker_died", "b": "B", "once": "ONCE", "c": "C", "raise": "failed", "d": "D"
    }  # fmt: skip


def test_an_item_that_takes_too_long_ends_alone(odd) -> None:
    assert dict(work_through(odd(), ["a", "hang", "b"], 2, longest_s=1)) == {"a": "A", "hang": "worker_died", "b": "B"}


def test_when_no_process_starts_the_run_ends_with_a_reason(odd, tmp_path: Path) -> None:
    (tmp_path / "odd" / "never").touch()
    with pytest.raises(BulkError, match=r"No worker process starts.*status 3"):
        list(work_through(odd(), ["a"], 1))


def test_only_some_items_are_listed_ahead_of_a_slow_one(odd) -> None:
    listed = itertools.count()
    seen = 0

    def items() -> Iterator[str]:
        nonlocal seen
        for seen in listed:
            yield "hang" if seen == 0 else "x"

    answers = work_through(odd(longest=2.0), items(), 2)
    next(answers)
    answers.close()
    assert seen < AHEAD + 2 + 1


def test_a_stop_lets_what_runs_come_to_its_end_and_leaves_no_process(odd) -> None:
    stop = threading.Event()
    answered = []
    before = children()
    for item, answer in work_through(odd(), (f"slow{number}" for number in itertools.count()), 2, stop=stop):
        answered.append((item, answer))
        stop.set()
    assert answered == [(f"slow{number}", f"SLOW{number}") for number in range(len(answered))]
    assert len(answered) <= 5
    assert children() <= before


def test_kills_at_random_moments_lose_nothing_and_double_nothing(odd) -> None:
    """An item is asked twice at most, so the killer leaves each process alone for a while."""
    over = threading.Event()
    rng = random.Random(7)
    killed = 0

    def killer(before: set[int]) -> None:
        nonlocal killed
        while not over.wait(1.5 + rng.random()):
            if found := sorted(children() - before):
                os.kill(rng.choice(found), signal.SIGKILL)
                killed += 1

    thread = threading.Thread(target=killer, args=(children(),))
    thread.start()
    try:
        items = [f"slow{number}" for number in range(24)]
        answers = list(work_through(odd(), items, 2))
    finally:
        over.set()
        thread.join()
    assert killed >= 1
    assert [item for item, _ in answers] == items
    assert all(answer in (item.upper(), "worker_died") for item, answer in answers)
    assert sum(answer == "worker_died" for _, answer in answers) <= killed // 2


def test_processes_end_with_the_one_that_started_them(odd) -> None:
    """Killed without warning, it leaves nothing running."""
    code = (
        "from odd_work import Odd\nfrom wearvision.bulk.crew import work_through\n"
        f"list(work_through(Odd({str(odd().folder)!r}), ['a', 'hang', 'hang2'], 2))"
    )
    with subprocess.Popen([sys.executable, "-c", code]) as leader:
        deadline = time.monotonic() + 60
        found: list[psutil.Process] = []
        while time.monotonic() < deadline and len(found) < 2:
            found = psutil.Process(leader.pid).children()
            time.sleep(0.05)
        leader.kill()
    assert len(found) == 2
    _, left = psutil.wait_procs(found, timeout=30)
    assert not left
