"""A real PostgreSQL server as a process of its own, on a socket in a folder: for tests and benchmarks."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path

import psycopg
import pytest

from wearvision_api.store.engine import migrate, open_engine

PLACES = "/usr/lib/postgresql/*/bin", "/opt/homebrew/opt/postgresql*/bin", "/usr/local/opt/postgresql*/bin"


def programs() -> Path | None:
    """The folder of the newest server here, None where there is none."""
    found = sorted(path for place in PLACES for path in Path("/").glob(place[1:]) if (path / "initdb").exists())
    if found:
        return found[-1]
    initdb = shutil.which("initdb")
    return Path(initdb).resolve().parent if initdb else None


class Server:
    """A running server.

    Args:
        bin: Folder of its programs.
    """

    def __init__(self, bin: Path) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="wv-pg-"))  # short: a socket's path has 107 characters at most
        self.bin = bin
        # The server refuses to run as root.
        others = [name for name in ("postgres", "nobody") if _exists(name)] if os.geteuid() == 0 else []
        self.user = others[0] if others else None
        if self.user:
            shutil.chown(self.folder, self.user)
        self._run("initdb", "-D", self._data, "-U", "tests", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        # Tests need no durability of the server itself: that is its makers' promise, not ours.
        flags = f"-c listen_addresses='' -c unix_socket_directories={self.folder} -c fsync=off -c max_connections=200"
        self._run("pg_ctl", "-D", self._data, "-o", flags, "-l", str(self.folder / "log"), "-w", "start")

    @property
    def _data(self) -> str:
        return str(self.folder / "data")

    def _run(self, program: str, *arguments: str) -> None:
        with tempfile.TemporaryFile("w+") as output:  # the server keeps it open: a pipe would never end
            done = subprocess.run(
                [str(self.bin / program), *arguments],
                user=self.user,
                cwd=self.folder,
                env={"PATH": os.defpath, "LC_ALL": "C"},
                stdout=output,
                stderr=output,
                check=False,
                timeout=120,
            )
            output.seek(0)
            assert done.returncode == 0, f"{program}: {output.read()}"

    @contextmanager
    def database(self, template: str = "template0") -> Iterator[str]:
        """A copy of a database, an empty one unless said otherwise; gives its address in SQLAlchemy's form."""
        name = f"t{uuid.uuid4().hex}"
        with psycopg.connect(host=str(self.folder), user="tests", dbname="postgres", autocommit=True) as connection:
            connection.execute(f"create database {name} template {template}")  # type: ignore[arg-type]
            yield f"postgresql+psycopg://tests@/{name}?host={self.folder}"
            connection.execute(f"drop database {name} with (force)")  # type: ignore[arg-type]

    @cached_property
    def with_tables(self) -> str:
        """Name of a database with the newest tables and nothing in them."""
        name = "with_tables"
        with psycopg.connect(host=str(self.folder), user="tests", dbname="postgres", autocommit=True) as connection:
            connection.execute(f"create database {name} template template0")  # type: ignore[arg-type]
        make_tables(f"postgresql+psycopg://tests@/{name}?host={self.folder}")
        return name

    def stop(self) -> None:
        """Ends it and removes its folder."""
        self._run("pg_ctl", "-D", self._data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(self.folder)


def make_tables(url: str) -> None:
    """Brings an empty database to the newest tables."""
    engine = open_engine(url)
    migrate(engine)
    engine.dispose()


def _exists(name: str) -> bool:
    try:
        return bool(pwd.getpwnam(name))
    except KeyError:
        return False


def running_server() -> Iterator[Server]:
    """For a fixture: a server that is stopped after its tests, which are skipped where there is none."""
    found = programs()
    if found is None:
        pytest.skip("no PostgreSQL server here: install Debian's postgresql")
    server = Server(found)
    yield server
    server.stop()
