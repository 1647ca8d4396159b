"""A service as a process of its own, as an operator starts it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx

START_S = 240.0
"""Generous: the machine may be busy with other tests. How long it takes is measured by the benchmark."""


class Served:
    """A running ``wearvision serve``.

    Attributes:
        address: From its own line.
        seconds: From the command to that line.
        http: A client of it.
    """

    def __init__(
        self,
        data: Path,
        options: Sequence[str] = (),
        environment: dict[str, str] | None = None,
        verify: Any = True,
        address: str = "",
    ) -> None:
        self.log = data.parent / f"{data.name}.{uuid.uuid4().hex[:6]}.log"
        begun = time.perf_counter()
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                command("serve", "--data", str(data), "--port", "0", *options),
                stdout=log,
                stderr=log,
                env=os.environ | (environment or {}),
            )
        said = self._wait_for_line()
        self.seconds = time.perf_counter() - begun
        self.address = address.format(port=said.rsplit(":", 1)[1]) or said
        self.http = httpx.Client(base_url=self.address, timeout=60, verify=verify, trust_env=False)

    def _wait_for_line(self) -> str:
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            found = re.search(r"^wearvision serves (\S+) ", self.log.read_text(), re.MULTILINE)
            if found:
                return found[1]
            if self.process.poll() is not None:
                raise AssertionError(f"it ended with {self.process.returncode}: {self.log.read_text()}")
            time.sleep(0.02)
        self.kill()
        raise AssertionError(f"no address within {START_S} s: {self.log.read_text()}")

    def lines(self) -> list[dict[str, Any]]:
        """Its log so far."""
        return [json.loads(line) for line in self.log.read_text().splitlines() if line.startswith("{")]

    def kill(self) -> None:
        """As a crash or a loss of power ends it."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self, wait_s: float = 60) -> int:
        """As an operator ends it; gives its exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(wait_s)

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.http.close()
        if self.process.poll() is None:
            self.kill()

    def upload(self, data: bytes, key: str, **form: str) -> httpx.Response:
        """Sends a photo."""
        files = {"file": ("photo.jpg", data, "image/jpeg")}
        return self.http.post("/api/v1/photos", files=files, data=form, headers={"Idempotency-Key": key})

    def grade(self, photos: Sequence[str], key: str) -> httpx.Response:
        """Has photos graded."""
        body = {"photos": list(photos), "part": "flame_cell"}
        return self.http.post("/api/v1/grades", json=body, headers={"Idempotency-Key": key})


def command(*arguments: str) -> list[str]:
    """The program in a process of its own."""
    return [sys.executable, "-c", "from wearvision.cli import main; main()", *arguments]


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Runs a command to its end."""
    return subprocess.run(command(*arguments), capture_output=True, text=True, timeout=120, check=False)


def different(photo: bytes, number: int) -> bytes:
    """The same photo as another file: a JPEG may hold anything behind its end."""
    return photo + f"{number}".encode()
