"""A real service in a folder of its own: real database, real photos, the released model.

A test marked ``on_both`` runs on SQLite and on a PostgreSQL server that is started here; ``settings`` and ``client``
are those of the database in turn.
"""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import psycopg
import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, sync_playwright

from wearvision_api.app import create_app
from wearvision_api.settings import Settings

from .looks import CHROMIUM

SAMPLES = Path(__file__).parents[2] / "sample_images"
PLACES = "/usr/lib/postgresql/*/bin", "/opt/homebrew/opt/postgresql*/bin", "/usr/local/opt/postgresql*/bin"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's browser; see ``looks``."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


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
    def database(self) -> Iterator[str]:
        """An empty database; gives its address in SQLAlchemy's form."""
        name = f"t{uuid.uuid4().hex}"
        with psycopg.connect(host=str(self.folder), user="tests", dbname="postgres", autocommit=True) as connection:
            connection.execute(f"create database {name} template template0")  # type: ignore[arg-type]
            yield f"postgresql+psycopg://tests@/{name}?host={self.folder}"
            connection.execute(f"drop database {name} with (force)")  # type: ignore[arg-type]

    def stop(self) -> None:
        """Ends it and removes its folder."""
        self._run("pg_ctl", "-D", self._data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(self.folder)


def _exists(name: str) -> bool:
    try:
        return bool(pwd.getpwnam(name))
    except KeyError:
        return False


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "on_both: runs on SQLite and on PostgreSQL")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if metafunc.definition.get_closest_marker("on_both"):
        databases = ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)]
        metafunc.parametrize("database", databases, indirect=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    bin = programs()
    if bin is None:
        pytest.skip("no PostgreSQL server here: install Debian's postgresql")
    server = Server(bin)
    yield server
    server.stop()


@pytest.fixture
def new_postgres(request: pytest.FixtureRequest) -> Iterator[Callable[[], str]]:
    """Makes empty databases; they go with the test."""
    server: Server = request.getfixturevalue("postgres")
    with ExitStack() as stack:
        yield lambda: stack.enter_context(server.database())


@pytest.fixture
def database(request: pytest.FixtureRequest) -> str:
    """Address of an empty database, empty text for SQLite in the data folder."""
    if getattr(request, "param", "sqlite") == "sqlite":
        return ""
    return str(request.getfixturevalue("new_postgres")())


@pytest.fixture
def settings(tmp_path: Path, database: str) -> Settings:
    return Settings(data=tmp_path / "data", database=database, workers=1, waiting=4)


@pytest.fixture
def client(settings: Settings) -> Iterator[TestClient]:
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        yield client


@pytest.fixture(scope="session")
def samples() -> Path:
    return SAMPLES


@pytest.fixture(scope="session")
def sample(samples: Path) -> Path:
    """A flame cell whose window is clouded."""
    return next(path for path in sorted(samples.glob("*.jpg")) if "flame_cell" in path.name)
