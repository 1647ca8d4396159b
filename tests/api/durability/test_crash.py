"""What was answered 201 survives SIGKILL at any moment, whole, and a retry doubles nothing.

SIGKILL leaves what the kernel holds; that the bytes are on the disk too, before the answer, is checked by the order of
system calls (``test_put_syncs_before_it_answers``).
"""

from __future__ import annotations

import hashlib
import os
import random
import sqlite3
import threading
import time
from pathlib import Path

import httpx
import pytest

from wearvision_api.store.blobs import DRAFT, Blobs

from .process import Served, different

CLIENTS = 3


class Phone(threading.Thread):
    """Uploads and grades until the service dies; keeps what it sent and what it was answered."""

    def __init__(self, served: Served, small: bytes, number: int) -> None:
        super().__init__()
        self.served, self.small, self.number = served, small, number
        self.photos: dict[str, tuple[bytes, str | None]] = {}
        self.grades: dict[str, tuple[str, str | None]] = {}

    def run(self) -> None:
        """Sends; a broken connection is the end."""
        for turn in range(10_000):
            key = f"{self.number}-{turn}-{random.getrandbits(40):x}"
            data = different(self.small, random.getrandbits(60))
            try:
                self.photos[key] = data, None
                answer = self.served.upload(data, key)
                if answer.status_code != 201:
                    continue
                photo = answer.json()["id"]
                self.photos[key] = data, photo
                self.grades[key] = photo, None
                answer = self.served.grade([photo], f"g{key}")
                if answer.status_code == 201:
                    self.grades[key] = photo, answer.json()["id"]
            except httpx.HTTPError:
                return


@pytest.mark.parametrize("crashes", [2, pytest.param(12, marks=pytest.mark.slow)])
def test_answered_records_survive_kill_and_retries_double_nothing(tmp_path: Path, small: bytes, crashes: int) -> None:
    data, seed = tmp_path / "data", random.randrange(1000)
    moments = random.Random(seed)
    photos: dict[str, tuple[bytes, str | None]] = {}
    grades: dict[str, tuple[str, str | None]] = {}
    for _ in range(crashes):
        with Served(data, ["--workers", "2"]) as served:
            phones = [Phone(served, small, number) for number in range(CLIENTS)]
            for phone in phones:
                phone.start()
            time.sleep(0.5 + moments.random() * 2)
            served.kill()
            for phone in phones:
                phone.join()
                photos |= phone.photos
                grades |= phone.grades
    answered = sum(photo is not None for _, photo in photos.values())
    assert answered >= 3, "too little was answered to show anything"
    with Served(data) as served:
        for key, (sent, photo) in photos.items():
            again = served.upload(sent, key)
            assert again.status_code == 201, f"seed {seed}: {again.text}"
            assert photo in (None, again.json()["id"]), f"seed {seed}: a retry made another record"
            assert served.http.get(f"/api/v1/photos/{again.json()['id']}/content").content == sent
        for key, (photo, grade) in grades.items():
            again = served.grade([photo], f"g{key}")
            assert again.status_code == 201
            assert grade in (None, again.json()["id"])
            whole = served.http.get(f"/api/v1/grades/{again.json()['id']}").json()
            assert whole["photos"] == [photo]
            for number in range(whole["pictures"]):
                assert served.http.get(f"/api/v1/grades/{whole['id']}/pictures/{number}").status_code == 200
        assert served.stop() != 1
    with sqlite3.connect(data / "wearvision.sqlite") as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert database.execute("select count(*) from photos").fetchone() == (len(photos),)
        assert database.execute("select count(*) from grades").fetchone() == (len(grades),)
    database.close()
    blobs = Blobs(f"file://{data / 'photos'}")
    assert not list((data / "photos").rglob(f"{DRAFT}*"))
    assert all(hashlib.sha256(blobs.get(name)).hexdigest() == name for name in blobs.names())


def test_start_removes_drafts_of_killed_writers(tmp_path: Path) -> None:
    blobs = Blobs(f"file://{tmp_path}")
    whole = blobs.put(b"whole")
    draft = tmp_path / whole[:2] / f"{DRAFT}abc"
    draft.write_bytes(b"who")
    assert blobs.names() == [whole]
    assert blobs.remove_drafts() == 1
    assert not draft.exists()
    assert blobs.get(whole) == b"whole"


def test_put_syncs_before_it_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file's bytes before its name, the name's folder after it: only then may a record speak of it."""
    calls: list[str] = []
    sync, replace = os.fsync, Path.replace

    def synced(handle: int) -> None:
        calls.append("folder" if os.path.isdir(f"/proc/self/fd/{handle}") else "bytes")  # noqa: PTH112
        sync(handle)

    def replaced(self: Path, target: Path) -> Path:
        calls.append("name")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    Blobs(f"file://{tmp_path}").put(b"photo")
    assert calls == ["bytes", "name", "folder", "folder"]


def test_sqlite_commits_are_synced(tmp_path: Path) -> None:
    from wearvision_api.store.engine import open_engine

    engine = open_engine(f"sqlite:///{tmp_path / 'a.sqlite'}")
    with engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2, "2 is FULL (SQLite's documentation)"
    engine.dispose()
