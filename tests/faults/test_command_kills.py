"""The command itself as an operator starts it, with several processes: one of them is killed, or the one above them."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import pytest

from ..api.durability.process import command
from .audit import Auditor
from .counts import counted
from .keeper import free_port, is_ready
from .traffic import Crowd
from .warm import RESTART_S

pytestmark = pytest.mark.slow
KILLS = 6
PATIENCE_S = 600.0


class Always:
    """Runs a command, and runs it again whenever it ends.

    Args:
        command: The program with its options.
        log: Where it writes.
    """

    def __init__(self, command: Sequence[str], log: Path) -> None:
        self._command, self._log = command, log
        self._ended = threading.Event()
        self.process = self._begin()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _begin(self) -> subprocess.Popen[bytes]:
        with self._log.open("ab") as log:
            return subprocess.Popen(self._command, stdout=log, stderr=log)

    def _run(self) -> None:
        while True:
            self.process.wait()
            if self._ended.wait(RESTART_S):
                return
            self.process = self._begin()

    def workers(self) -> list[int]:
        """Processes that it began and that answer requests."""
        pid = self.process.pid
        with suppress(OSError):
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
            return [int(one) for one in children if b"spawn_main" in Path(f"/proc/{one}/cmdline").read_bytes()]
        return []

    def end(self) -> None:
        """Ends it for good."""
        self._ended.set()
        self.process.terminate()
        self._thread.join(60)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at /proc")
def test_processes_of_one_command_are_killed_in_turn_with_the_one_above_them(small: bytes, tmp_path: Path) -> None:
    row, chance = counted("kill -9, serve --processes 2: one of them, or their parent"), random.Random()
    data, port = tmp_path / "data", free_port()
    address = f"http://127.0.0.1:{port}"
    options = ("--data", str(data), "--port", str(port), "--processes", "2", "--workers", "2")
    service = Always(command("serve", *options), tmp_path / "log")
    auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")

    def wait_ready() -> None:
        until = time.monotonic() + PATIENCE_S
        while not (is_ready(address) and len(service.workers()) == 2):
            assert time.monotonic() < until, (tmp_path / "log").read_text()[-3000:]
            time.sleep(0.05)

    try:
        wait_ready()
        with Crowd([address], small, chance.randrange(1000)) as crowd:
            for number in range(KILLS):
                crowd.wait_for_answers(2, PATIENCE_S)
                victim = service.process.pid if number % 3 == 2 else chance.choice(service.workers())
                moment = time.monotonic()
                os.kill(victim, signal.SIGKILL)
                row.times += 1
                row.kills += 1
                while Path(f"/proc/{victim}").exists():
                    time.sleep(0.01)
                wait_ready()
                row.back_s.append(time.monotonic() - moment)
                row.take(auditor.look(crowd.book.answered()))
        assert not crowd.book.odd, crowd.book.odd[:3]
        crowd.send_again()
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
    finally:
        auditor.close()
        service.end()
