"""Several processes at one port, as ``wearvision serve --processes`` starts them: watched, drained, stopped."""

from __future__ import annotations

import os
import signal
import time
from contextlib import suppress
from pathlib import Path

import psutil

from wearvision_api.settings import Settings

from .process import Served

WAIT_S = 90.0


def children(served: Served) -> set[int]:
    """Process ids of those that answer."""
    found = set()
    for one in psutil.Process(served.process.pid).children():
        with suppress(psutil.NoSuchProcess):  # one that has ended and was not fetched yet is one, too
            if "spawn_main" in " ".join(one.cmdline()):
                found.add(one.pid)
    return found


def test_settings_are_shared_out_among_processes() -> None:
    share = Settings(processes=3, workers=4, waiting=16, requests=64, connections=50).share
    assert (share.workers, share.waiting, share.requests, share.connections) == (2, 6, 22, 17)


def test_a_process_that_dies_is_replaced_and_a_stop_is_said_before_it_comes(tmp_path: Path, small: bytes) -> None:
    """One service for all of it: each start takes seconds."""
    with Served(tmp_path / "data", ["--processes", "2", "--drain-s", "3"]) as served:
        first = children(served)
        assert len(first) == 2
        until = time.monotonic() + WAIT_S
        while served.http.get("/readyz").status_code != 200:
            assert time.monotonic() < until
        assert served.upload(small, "one").status_code == 201
        os.kill(max(first), signal.SIGKILL)  # the one started first answers for certain
        while len(children(served) - first) < 1:
            assert time.monotonic() < until, "nobody took the place of the dead process"
            time.sleep(0.1)
        again = served.upload(small, "one")
        assert again.status_code == 201
        assert again.headers["idempotency-replayed"] == "true"
        served.process.send_signal(signal.SIGTERM)
        while served.http.get("/readyz").status_code != 503:
            assert time.monotonic() < until
        assert served.upload(small, "two").status_code == 201, "what comes meanwhile is answered"
        assert served.process.wait(60) == 0
        assert "Traceback" not in served.log.read_text()


def test_a_parent_that_is_killed_leaves_nobody_at_its_port(tmp_path: Path) -> None:
    with Served(tmp_path / "data", ["--processes", "2"]) as served:
        left = children(served)
        served.kill()
        until = time.monotonic() + WAIT_S
        while any(psutil.pid_exists(one) for one in left):
            assert time.monotonic() < until
            time.sleep(0.1)
