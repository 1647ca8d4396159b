"""The service as a company runs it, on loopback: database server, object store, processes, the proxy of ``deploy/``."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import httpx
import psutil

from ..api.database_server import Server, programs
from ..api.durability.process import command
from ..api.object_server import ObjectServer, free_port, program

DEPLOY = Path(__file__).parents[2] / "deploy"
START_S = 400.0
STOP_S = 60.0


def lacking() -> str:
    """What this machine lacks; empty: nothing."""
    found = {
        "a PostgreSQL server": programs(),
        "an S3-style server (extra test)": program(),
        "haproxy": shutil.which("haproxy") or shutil.which("haproxy", path="/usr/sbin"),
    }
    return ", ".join(name for name, one in found.items() if not one)


class One:
    """A process of the service at a port of its own.

    Args:
        fleet: It belongs to.
        port: Its own.
    """

    def __init__(self, fleet: Fleet, port: int) -> None:
        self.fleet, self.port = fleet, port
        self.address = f"http://127.0.0.1:{port}"
        self.starts: list[float] = []
        self.start()

    def start(self, *options: str) -> None:
        """Starts it; ``wait`` waits for it."""
        self.begun = time.monotonic()
        with (self.fleet.folder / f"{self.port}.log").open("ab") as log:
            self.process = subprocess.Popen(
                command("serve", "--port", str(self.port), *self.fleet.options, *options),
                stdout=log,
                stderr=log,
                env=os.environ | self.fleet.environment | {"WEARVISION_DATA": str(self.fleet.folder / f"{self.port}")},
            )

    def wait(self) -> None:
        """Until it is ready."""
        while time.monotonic() - self.begun < START_S:
            assert self.process.poll() is None, self.log()[-4000:]
            try:
                if httpx.get(f"{self.address}/readyz", timeout=10, trust_env=False).status_code == 200:
                    self.starts.append(time.monotonic() - self.begun)
                    return
            except httpx.HTTPError:
                pass
            time.sleep(0.1)
        raise AssertionError(f"not ready within {START_S} s: {self.log()[-4000:]}")

    def stop(self) -> int:
        """As an operator ends it; gives its exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(STOP_S)

    def log(self) -> str:
        """What it said."""
        return (self.fleet.folder / f"{self.port}.log").read_text()

    @property
    def memory_mb(self) -> float:
        """Resident memory, MB."""
        return float(psutil.Process(self.process.pid).memory_info().rss / 1e6)


class Fleet:
    """Processes behind one address.

    Attributes:
        address: Of the proxy.
        database: SQLAlchemy's address of the database.
        store: The object store.
        ones: The processes.
    """

    def __init__(self, stack: ExitStack, options: tuple[str, ...]) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="wv-fleet-"))
        stack.callback(shutil.rmtree, self.folder, ignore_errors=True)
        found, store = programs(), program()
        assert found is not None
        assert store is not None
        server = Server(found)
        stack.callback(server.stop)
        self.database = stack.enter_context(server.database())
        self.store = ObjectServer(store)
        stack.callback(self.store.stop)
        self.options = ("--no-migrate", "--drain-s", "4", "--workers", "1", *options)
        self.environment = {
            **self.store.environment,
            "WEARVISION_DATABASE": self.database,
            "WEARVISION_BLOBS": self.store.url,
            "WEARVISION_RECORD_KEY": str(self.folder / "record-key.pem"),
            "MALLOC_ARENA_MAX": "2",
            "OMP_NUM_THREADS": "1",
        }
        migrated = subprocess.run(
            command("migrate"),
            env=os.environ | self.environment,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert migrated.returncode == 0, migrated.stderr
        self.ones = [One(self, free_port()) for _ in range(2)]
        stack.callback(self._kill)
        for one in self.ones:
            one.wait()
        self.address = self._proxy(stack)

    def _kill(self) -> None:
        for one in self.ones:
            if one.process.poll() is None:
                one.process.kill()
                one.process.wait()

    def _proxy(self, stack: ExitStack) -> str:
        port = free_port()
        haproxy = shutil.which("haproxy") or "/usr/sbin/haproxy"
        first, second = (one.address.removeprefix("http://") for one in self.ones)
        environment = {
            "WEARVISION_BIND": f"127.0.0.1:{port}",
            "WEARVISION_ONE": first,
            "WEARVISION_TWO": second,
            "WEARVISION_NAME": "localhost",
            "WEARVISION_BUSY": str(DEPLOY / "busy.http"),
        }
        with (self.folder / "proxy.log").open("ab") as log:
            proxy = subprocess.Popen(
                [haproxy, "-db", "-f", str(DEPLOY / "haproxy.cfg")],
                env=os.environ | environment,
                stdout=log,
                stderr=log,
            )
        stack.callback(proxy.wait)
        stack.callback(proxy.kill)
        address = f"http://127.0.0.1:{port}"
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            assert proxy.poll() is None, (self.folder / "proxy.log").read_text()
            try:
                if httpx.get(f"{address}/healthz", timeout=5, trust_env=False).status_code == 200:
                    return address
            except httpx.HTTPError:
                pass
            time.sleep(0.1)
        raise AssertionError("the proxy does not answer")


@contextmanager
def fleet(*options: str) -> Iterator[Fleet]:
    """A fleet until the block ends.

    Args:
        options: Of each process besides.
    """
    with ExitStack() as stack:
        yield Fleet(stack, options)
