"""A real S3-style object store as a process of its own, on loopback: what tests and benchmarks keep photos in."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

BUCKET = "photos"
START_S = 60.0
MAKE_BUCKET = f"""
import fsspec
system, _ = fsspec.core.url_to_fs("s3://{BUCKET}")
system.exists("{BUCKET}") or system.mkdir("{BUCKET}")
system.pipe_file("{BUCKET}/started", b"1")
"""
"""In a process of its own: a client keeps the environment in which it was made."""


def program() -> Path | None:
    """The server's program, which comes with the extra ``test``; None where there is none for this machine."""
    beside = Path(sys.executable).parent / "weed"
    found = beside if beside.exists() else shutil.which("weed")
    return Path(found) if found else None


def free_port() -> int:
    """A port that nobody listens on at this moment."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        return int(door.getsockname()[1])


class ObjectServer:
    """A running store with one bucket; its port stays over a restart.

    Args:
        program: Of the server.

    Attributes:
        url: fsspec address of the bucket.
        environment: What a client needs besides.
        endpoint: Where it answers.
    """

    def __init__(self, program: Path) -> None:
        self._program = program
        self.folder = Path(tempfile.mkdtemp(prefix="wv-s3-"))
        self.port = free_port()
        names = ("master", "volume", "filer")
        self._ports = {f"-{name}.{kind}": free_port() for name in names for kind in ("port", "port.grpc")}
        self._ports["-s3.port.grpc"] = free_port()
        key, secret = secrets.token_hex(8), secrets.token_hex(16)
        self.endpoint = f"http://127.0.0.1:{self.port}"
        self.url = f"s3://{BUCKET}/wear"
        identity = {
            "name": "tests",
            "credentials": [{"accessKey": key, "secretKey": secret}],
            "actions": ["Admin", "Read", "List", "Tagging", "Write"],
        }
        (self.folder / "s3.json").write_text(json.dumps({"identities": [identity]}))
        self.environment = {
            "AWS_ENDPOINT_URL_S3": self.endpoint,
            "AWS_ACCESS_KEY_ID": key,
            "AWS_SECRET_ACCESS_KEY": secret,
            "AWS_DEFAULT_REGION": "us-east-1",
            "AWS_EC2_METADATA_DISABLED": "true",
        }
        self.start()

    def start(self) -> None:
        """Starts it and waits until the bucket takes objects."""
        data = self.folder / "data"
        data.mkdir(exist_ok=True)
        ports = [f"{name}={port}" for name, port in self._ports.items()]
        command = [
            str(self._program), "-logtostderr", "server", f"-dir={data}", "-ip=127.0.0.1", "-ip.bind=127.0.0.1",
            "-master.telemetry=false", "-master.volumeSizeLimitMB=512", "-volume.max=16", "-filer", "-s3",
            "-volume.preStopSeconds=0", f"-s3.port={self.port}", f"-s3.config={self.folder / 's3.json'}",
            "-s3.port.iceberg=0", "-s3.port.lance=0", f"-filer.localSocket={self.folder / 'filer.sock'}",
            f"-s3.localSocket={self.folder / 's3.sock'}", *ports,
        ]  # fmt: skip
        with (self.folder / "log").open("ab") as log:
            # A folder of its own to work in: the server leaves files where it is started.
            self.process = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder)
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            assert self.process.poll() is None, (self.folder / "log").read_text()[-3000:]
            if self._takes_objects():
                return
            time.sleep(0.2)
        raise AssertionError(f"no object store within {START_S} s: {(self.folder / 'log').read_text()[-3000:]}")

    def _takes_objects(self) -> bool:
        try:
            if httpx.get(f"{self.endpoint}/status", timeout=2, trust_env=False).status_code >= 500:
                return False
        except httpx.HTTPError:
            return False
        done = subprocess.run(
            [sys.executable, "-c", MAKE_BUCKET], env=os.environ | self.environment, capture_output=True
        )
        return done.returncode == 0

    def kill(self) -> None:
        """As a loss of power ends it."""
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        """Ends it and removes its folder."""
        self.kill()
        shutil.rmtree(self.folder)


def running_object_server() -> Iterator[ObjectServer]:
    """For a fixture: a server that is stopped after its tests, which are skipped where there is none."""
    found = program()
    if found is None:
        pytest.skip("no S3-style server here: install the extra 'test' on Linux or macOS")
    server = ObjectServer(found)
    yield server
    server.stop()
