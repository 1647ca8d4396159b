"""A real service in a folder of its own: real database, real photos, the released model.

A test marked ``on_both`` runs on SQLite and on a PostgreSQL server that is started here; ``settings`` and ``client``
are those of the database in turn.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, sync_playwright

from wearvision_api.app import create_app
from wearvision_api.settings import Settings

from .database_server import Server, make_tables, running_server
from .looks import CHROMIUM
from .object_server import ObjectServer, running_object_server

SAMPLES = Path(__file__).parents[2] / "sample_images"


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's browser; see ``looks``."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "on_both: runs on SQLite and on PostgreSQL")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if metafunc.definition.get_closest_marker("on_both"):
        databases = ["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)]
        metafunc.parametrize("database", databases, indirect=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    yield from running_server()


@pytest.fixture(scope="session")
def object_server() -> Iterator[ObjectServer]:
    """A real S3-style store."""
    yield from running_object_server()


@pytest.fixture
def on_s3(object_server: ObjectServer, monkeypatch: pytest.MonkeyPatch) -> ObjectServer:
    """The same with its credentials in this process's environment."""
    for name, value in object_server.environment.items():
        monkeypatch.setenv(name, value)
    return object_server


@pytest.fixture
def new_postgres(request: pytest.FixtureRequest) -> Iterator[Callable[[], str]]:
    """Makes empty databases; they go with the test."""
    server: Server = request.getfixturevalue("postgres")
    with ExitStack() as stack:
        yield lambda: stack.enter_context(server.database())


@pytest.fixture(scope="session")
def sqlite_with_tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file with the newest tables and nothing in them: to copy it takes a hundredth of what migrating takes."""
    file = tmp_path_factory.mktemp("tables") / "wearvision.sqlite"
    make_tables(f"sqlite:///{file}")
    return file


@pytest.fixture
def database(request: pytest.FixtureRequest) -> Iterator[str]:
    """Address of a database with the newest tables and nothing in them, empty text for SQLite in the data folder."""
    if getattr(request, "param", "sqlite") == "sqlite":
        yield ""
        return
    server: Server = request.getfixturevalue("postgres")
    with server.database(server.with_tables) as address:
        yield address


@pytest.fixture
def settings(tmp_path: Path, database: str, sqlite_with_tables: Path) -> Settings:
    """Of a service that has its tables and never ran; ``test_databases`` migrates from nothing."""
    settings = Settings(data=tmp_path / "data", database=database, workers=1, waiting=4)
    if not database:
        settings.data.mkdir()
        shutil.copy(sqlite_with_tables, settings.data)
    return settings


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
