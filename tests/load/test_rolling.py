"""A new version while people work: tables first, then one process after the other; no request fails, nothing is lost.

The newer tables are those of a revision that only this test has. So the processes that start on them are an older
program, as they are where a company goes back, and those that run through the migration are, too.
"""

from __future__ import annotations

import signal
import threading
import time
import uuid
from collections import Counter
from pathlib import Path

import httpx
import pytest
from alembic import command
from sqlalchemy import create_engine, text

from wearvision_api.store import schema
from wearvision_api.store.engine import MIGRATIONS, migration_config, open_engine

from .fleet import Fleet, fleet, lacking

PHOTO = Path(__file__).parents[2] / "sample_images" / "flame_cell-face-replace-1.jpg"
PEOPLE = 3
LATER = """
import sqlalchemy as sa
from alembic import op

revision, down_revision, branch_labels, depends_on = "9001", "{newest}", None, None


def upgrade() -> None:
    op.add_column("photos", sa.Column("of_tomorrow", sa.String(20), nullable=True))
    op.create_index("ix_photos_of_tomorrow", "photos", ["of_tomorrow"])
    op.create_table("of_tomorrow", sa.Column("id", sa.Integer(), primary_key=True))
"""

pytestmark = [pytest.mark.slow, pytest.mark.postgres]


class Person(threading.Thread):
    """Sends photos and has them graded until told to stop.

    Attributes:
        kept: Acknowledged photos and grades: id of the one, id of the other.
        failed: What was no success.
    """

    def __init__(self, address: str) -> None:
        super().__init__()
        self.address, self.ends = address, threading.Event()
        self.kept: list[tuple[str, str]] = []
        self.failed: list[str] = []
        self.again = 0

    def run(self) -> None:
        """One visit after the other."""
        with httpx.Client(base_url=self.address, timeout=120, trust_env=False) as http:
            while not self.ends.is_set():
                key = uuid.uuid4().hex
                file = {"file": PHOTO.read_bytes() + key.encode()}
                photo = self._send(http, "/api/v1/photos", f"{key}-p", files=file)
                if not photo:
                    continue
                asked = {"photos": [photo], "part": "flame_cell"}
                grade = self._send(http, "/api/v1/grades", f"{key}-g", json=asked)
                if grade:
                    self.kept.append((photo, grade))

    def _send(self, http: httpx.Client, path: str, key: str, **body: object) -> str:
        while True:
            try:
                answer = http.post(path, headers={"Idempotency-Key": key}, **body)  # type: ignore[arg-type]
            except httpx.HTTPError as error:
                self.failed.append(repr(error))
                return ""
            if answer.status_code == 503 and "retry-after" in answer.headers:
                self.again += 1
                time.sleep(float(answer.headers["retry-after"]))
                continue
            if answer.status_code != 201:
                self.failed.append(f"{answer.status_code} {answer.text[:300]}")
                return ""
            return str(answer.json()["id"])


def migrate_further(database: str, folder: Path) -> None:
    """As ``wearvision migrate`` of a later version does."""
    engine = open_engine(database)
    folder.mkdir()
    (folder / "9001_of_tomorrow.py").write_text(LATER.format(newest=schema.newest(engine)))
    config = migration_config(engine)
    config.set_main_option("path_separator", "newline")
    config.set_main_option("version_locations", f"{MIGRATIONS / 'versions'}\n{folder}")
    command.upgrade(config, "9001")
    assert schema.revision(engine) == "9001"
    engine.dispose()


def more(people: list[Person], visits: int) -> None:
    """Waits until everybody has got so much further."""
    wanted, until = [len(one.kept) + visits for one in people], time.monotonic() + 240
    while any(len(one.kept) < least and not one.failed for one, least in zip(people, wanted, strict=True)):
        assert time.monotonic() < until, [one.failed for one in people]
        time.sleep(0.2)


def test_a_migration_and_a_restart_of_each_process_fail_no_request(tmp_path: Path) -> None:
    missing = lacking()
    if missing:
        pytest.skip(f"not here: {missing}")
    with fleet() as found:
        people = [Person(found.address) for _ in range(PEOPLE)]
        for one in people:
            one.start()
        try:
            more(people, 1)
            migrate_further(found.database, tmp_path / "later")
            more(people, 1)
            for process in found.ones:
                assert process.stop() in (0, -signal.SIGTERM), "the server ends by the signal that it has heeded"
                process.start()
                process.wait()
                more(people, 1)
        finally:
            for one in people:
                one.ends.set()
            for one in people:
                one.join()
        assert [one.failed for one in people] == [[]] * PEOPLE
        hold(found, people)
        for process in found.ones:
            assert "and still fits it" in process.log(), "it started on the newer tables"


def hold(found: Fleet, people: list[Person]) -> None:
    """Every acknowledged record is there once."""
    kept = [pair for one in people for pair in one.kept]
    engine = create_engine(found.database)
    with engine.connect() as connection:
        rows = connection.execute(text("select photo_id, grade_id from grade_photos")).all()
        digests = Counter(connection.scalars(text("select sha256 from photos")))
    engine.dispose()
    assert Counter(map(tuple, rows)) == Counter(kept), "nobody stopped in the middle, so there is nothing else either"
    assert max(digests.values()) == 1
    print(f"\n{len(kept)} visits through a migration and two restarts; {sum(one.again for one in people)} came again")
