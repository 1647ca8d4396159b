"""The same service on SQLite and PostgreSQL: migrations from every revision, records, and from one to the other."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from fastapi.testclient import TestClient
from sqlalchemy import Engine, inspect, text

from wearvision_api.app import create_app
from wearvision_api.settings import Settings
from wearvision_api.store.engine import MIGRATIONS, migrate, migration_config, open_engine
from wearvision_api.store.tables import Base
from wearvision_api.upkeep.backup import backup, restore

REVISIONS = [
    script.revision for script in reversed(list(ScriptDirectory(str(MIGRATIONS)).walk_revisions()))
]  # oldest first


@pytest.fixture
def database(request: pytest.FixtureRequest) -> str:
    """Without tables."""
    return "" if request.param == "sqlite" else str(request.getfixturevalue("new_postgres")())


@pytest.fixture
def settings(tmp_path: Path, database: str) -> Settings:
    return Settings(data=tmp_path / "data", database=database, workers=1)


@pytest.fixture
def engine(settings: Settings) -> Iterator[Engine]:
    engine = open_engine(settings.database_url)
    yield engine
    engine.dispose()


def differences(engine: Engine) -> list[object]:
    """Between the tables as they are and as the program has them."""
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return list(compare_metadata(context, Base.metadata))


def records(engine: Engine) -> None:
    """Rows that refer to each other, in the columns of the first revision."""
    at = "2026-03-04 05:06:07+00:00" if engine.dialect.name == "postgresql" else "2026-03-04 05:06:07.000000"
    with engine.begin() as connection:
        for statement in (
            "insert into accounts (id, name, role, password, active, created_at, failures) "
            f"values ('a', 'Someone', 'technician', '', true, '{at}', 0)",
            "insert into machines (id, owner_id, created_at, identifier, description, hours, interval_hours, "
            f"interval_days, notes, version) values ('m', 'a', '{at}', 'H-1', '', 12.5, 500, 365, '', 1)",
            "insert into inspections (id, owner_id, created_at, machine_id, begun_at, hours, notes, version) "
            f"values ('i', 'a', '{at}', 'm', '{at}', 12.5, '', 1)",
            "insert into grades (id, owner_id, created_at, inspection_id, report, pictures, version) "
            f"values ('g', 'a', '{at}', 'i', '{{}}', '[]', 1)",
        ):
            connection.execute(text(statement))


@pytest.mark.on_both
@pytest.mark.parametrize("revision", REVISIONS)
def test_migration_from_each_revision_reaches_the_tables_and_goes_back(engine: Engine, revision: str) -> None:
    """With rows in it: a table that is made anew must not lose or strand them."""
    migrate(engine, REVISIONS[0])
    records(engine)
    migrate(engine, revision)
    migrate(engine)
    assert differences(engine) == []
    command.downgrade(migration_config(engine), revision)
    migrate(engine)
    assert differences(engine) == []
    with engine.connect() as connection:
        assert connection.execute(text("select inspection_id from grades")).scalar() == "i"
        assert connection.execute(text("select hours from inspections")).scalar() == 12.5


@pytest.mark.on_both
def test_desk_is_used_after_the_migration_given_up_and_used_again(
    settings: Settings, engine: Engine, sample: Path
) -> None:
    """What stood there before the desk stays through all of it; the desk begins anew the second time."""

    def use_the_desk() -> list[str]:
        with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
            made = client.post(
                "/api/v1/returns", json={"part": "flame_cell", "machine": "H-1", "lot": "L"}, headers=key
            )
            assert made.status_code == 201, made.text
            place = f"/api/v1/returns/{made.json()['id']}"
            for _ in range(2):
                put = client.post(f"{place}/photos", files={"file": sample.read_bytes()}, data={"view": "face"})
                assert put.status_code == 201, put.text
            assert client.post(f"{place}/grade").status_code == 201
            population = {"part": "flame_cell", "lot": "L", "since": "2026-01-05", "count": 3, "source": "Notes"}
            assert client.post("/api/v1/fitted", json=population).status_code == 201
            assert client.get(place.removeprefix("/api/v1")).status_code == 200
            return [one["number"] for one in client.get("/api/v1/returns").json()["items"]]

    key = {"Idempotency-Key": "the same form"}
    migrate(engine, "0002")
    records(engine)
    first = use_the_desk()
    command.downgrade(migration_config(engine), "0002")
    with engine.connect() as connection:
        assert connection.execute(text("select count(*) from grades")).scalar() == 2
        assert connection.execute(text("select count(*) from photos")).scalar() >= 2
    assert use_the_desk() == first, "the count begins anew, too"
    assert differences(engine) == []
    with engine.connect() as connection:
        assert connection.execute(text("select hours from machines where id = 'm'")).scalar() == 12.5
        assert connection.execute(text("select inspection_id from grades where id = 'g'")).scalar() == "i"


@pytest.mark.on_both
def test_downgrade_to_nothing_leaves_nothing(engine: Engine) -> None:
    migrate(engine)
    command.downgrade(migration_config(engine), "base")
    assert set(inspect(engine).get_table_names()) <= {"alembic_version"}


@pytest.mark.on_both
def test_processes_that_start_together_migrate_once(settings: Settings) -> None:
    start = (
        "import sys; from wearvision_api.store.engine import migrate, open_engine; migrate(open_engine(sys.argv[1]))"
    )
    settings.data.mkdir()
    starts = [
        subprocess.Popen([sys.executable, "-c", start, settings.database_url], stderr=subprocess.PIPE) for _ in range(3)
    ]
    assert [(one.communicate(timeout=100)[1], one.returncode) for one in starts] == [(b"", 0)] * 3
    engine = open_engine(settings.database_url)
    assert differences(engine) == []
    engine.dispose()


@pytest.mark.on_both
def test_photo_grade_and_visit_are_recorded(client: TestClient, sample: Path) -> None:
    photo = client.post("/api/v1/photos", files={"file": sample.read_bytes()}, headers={"Idempotency-Key": "p"})
    assert photo.status_code == 201, photo.text
    again = client.post("/api/v1/photos", files={"file": sample.read_bytes()}, headers={"Idempotency-Key": "p"})
    assert again.json() == photo.json()
    machine = client.post("/api/v1/machines", json={"identifier": "H-1", "hours": 10}).json()
    visit = client.post("/api/v1/inspections", json={"machine": machine["id"], "hours": 12}).json()
    body = {"photos": [photo.json()["id"]], "inspection": visit["id"], "part": "flame_cell"}
    grade = client.post("/api/v1/grades", json=body)
    assert grade.status_code == 201, grade.text
    read = client.post(f"/api/v1/grades/{grade.json()['id']}/readings", json={"check": "cell-lit", "value": 1650})
    assert read.status_code == 201, read.text
    assert client.post("/api/v1/machines", json={"identifier": "H-1", "hours": 10}).status_code == 409
    listed = client.get("/api/v1/grades", params={"limit": 1}).json()["items"]
    assert [one["id"] for one in listed] == [grade.json()["id"]]
    assert client.get(f"/api/v1/inspections/{visit['id']}/sheet.pdf").content.startswith(b"%PDF")
    assert client.get("/readyz").status_code == 200


@pytest.mark.postgres
@pytest.mark.parametrize("to_postgres", [True, False])
def test_backup_moves_a_service_to_the_other_database(
    to_postgres: bool, tmp_path: Path, new_postgres: Callable[[], str], sample: Path
) -> None:
    databases = ["", new_postgres()] if to_postgres else [new_postgres(), ""]
    old, new = (
        Settings(data=tmp_path / f"data{n}", database=database, workers=1) for n, database in enumerate(databases)
    )
    with TestClient(create_app(old), base_url="http://127.0.0.1") as client:
        test_photo_grade_and_visit_are_recorded(client, sample)
        before = client.get("/api/v1/grades").json()
        machines = client.get("/api/v1/machines").json()
        done = backup(old.database_url, old.blob_url, tmp_path / "backup.tar")
    assert done.photos == 3, "the photo and two pictures of the judged square"
    assert restore(tmp_path / "backup.tar", new.database_url, new.blob_url) == done
    with TestClient(create_app(new), base_url="http://127.0.0.1") as client:
        assert client.get("/api/v1/grades").json() == before
        assert client.get("/api/v1/machines").json() == machines
        again = client.post("/api/v1/photos", files={"file": sample.read_bytes()}, headers={"Idempotency-Key": "p"})
        assert again.json()["id"] == before["items"][0]["photos"][0], "keys hold over a restore, too"
