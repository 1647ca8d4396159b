"""Services that are kept running, and killed."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx

WARM = Path(__file__).with_name("warm.py")
PATIENCE_S = 300.0
"""Generous: the machine may be busy with other work. How long it takes is measured and printed."""


class Keeper:
    """The program ``warm.py`` and what it keeps running.

    Args:
        kind: ``service`` or ``training``.
        environment: Of all that it begins, besides its own.
    """

    def __init__(self, kind: str = "service", environment: Mapping[str, str] | None = None) -> None:
        one_thread = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
        self._process = subprocess.Popen(
            [sys.executable, str(WARM), kind],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | one_thread | dict(environment or {}),
        )
        self._news = threading.Condition()
        self._pids: dict[str, int] = {}
        self.ends: dict[str, list[int]] = {}
        self._ear = threading.Thread(target=self._listen, daemon=True)
        self._ear.start()
        self.wait(lambda: "" in self._pids, "the keeper to have imported everything")

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            said = json.loads(line)
            with self._news:
                if "pid" in said:
                    self._pids[said["name"]] = said["pid"]
                else:
                    self._pids.pop(said["name"], None)
                    self.ends.setdefault(said["name"], []).append(said["status"])
                self._news.notify_all()

    def order(self, **what: Any) -> None:
        """Has something done; see ``warm.py``."""
        assert self._process.stdin is not None
        self._process.stdin.write((json.dumps(what) + "\n").encode())
        self._process.stdin.flush()

    def wait(self, what: Any, of_what: str, seconds: float = PATIENCE_S) -> None:
        """Waits until something is so."""
        with self._news:
            assert self._news.wait_for(what, seconds), f"waited {seconds} s for {of_what}"

    def pid(self, name: str) -> int:
        """The process that runs under a name, 0 for none."""
        with self._news:
            return self._pids.get(name, 0)

    def has(self, name: str) -> bool:
        """Whether it was begun, be it over or not; asked while the news is held, as by ``wait``."""
        return name in self._pids or name in self.ends

    def kill(self, name: str) -> bool:
        """SIGKILL, whatever it is doing; whether there was a process to kill."""
        pid = self.pid(name)
        if not pid:
            return False
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            return False
        self.wait(lambda: self._pids.get(name) != pid, f"{name} to die")
        return True

    def close(self) -> None:
        """Ends it with all that it runs."""
        assert self._process.stdin is not None
        with suppress(BrokenPipeError):
            self._process.stdin.close()
        self._process.wait(PATIENCE_S)
        self._ear.join(30)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Service:
    """One or several processes over one database and one store of photos, kept running.

    Attributes:
        names: Of its processes.
        addresses: One for each, the same after every start.
    """

    def __init__(
        self,
        keeper: Keeper,
        name: str,
        data: Path,
        *,
        processes: int = 1,
        order: dict[str, Any] | None = None,
        **settings: Any,
    ) -> None:
        self.keeper, self.data = keeper, data
        self.log = data.with_suffix(".log")
        self.names: list[str] = []
        self.addresses: list[str] = []
        for number in range(processes):
            port = free_port()
            given = {"data": str(data), "port": port, "workers": 1, **settings}
            keeper.order(do="keep", name=f"{name}-{number}", settings=given, log=str(self.log), **(order or {}))
            self.names.append(f"{name}-{number}")
            self.addresses.append(f"http://127.0.0.1:{port}")
            self.wait_ready()

    def wait_ready(self, seconds: float = PATIENCE_S) -> float:
        """Waits until every process answers that it can work; gives the moment."""
        until = time.monotonic() + seconds
        for address, name in zip(self.addresses, self.names, strict=True):
            while not (self.keeper.pid(name) and is_ready(address)):
                assert time.monotonic() < until, f"{name} did not come back within {seconds} s: {self.said()}"
                time.sleep(0.02)
        return time.monotonic()

    def said(self) -> str:
        """The end of its log."""
        return self.log.read_text("utf-8", "replace")[-3000:] if self.log.exists() else ""

    def end(self) -> None:
        """Keeps it no longer, and ends it at once."""
        for name in self.names:
            self.keeper.order(do="let", name=name)
            pid = self.keeper.pid(name)
            if pid:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)


def is_ready(address: str) -> bool:
    """Whether a service says that it can work."""
    try:
        return httpx.get(f"{address}/readyz", timeout=20, trust_env=False).status_code == 200
    except httpx.HTTPError:
        return False


def free_port() -> int:
    """A port of this machine that nobody has."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        return int(door.getsockname()[1])
