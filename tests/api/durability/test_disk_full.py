"""A full disk: a small file system of its own, filled to the brim."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from wearvision_api.app import create_app
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import DRAFT

from ...faults import disks
from .process import different


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with disks.small_disk(tmp_path / "disk", 8) as folder:
        yield folder


def test_full_disk_answers_507_and_loses_nothing(small_disk: Path, small: bytes) -> None:
    settings = Settings(data=small_disk / "data", workers=1, waiting=4)
    with TestClient(create_app(settings), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:

        def upload(number: int) -> tuple[int, dict[str, str]]:
            files = {"file": ("photo.jpg", different(small, number), "image/jpeg")}
            answer = client.post("/api/v1/photos", files=files, headers={"Idempotency-Key": str(number)})
            return answer.status_code, answer.json()

        status, before = upload(1)
        assert status == 201
        ballast = disks.fill(small_disk)
        status, problem = upload(2)
        assert (status, problem["code"]) == (507, "disk-full")
        grade = client.post("/api/v1/grades", json={"photos": [before["id"]]})
        assert grade.status_code == 507, grade.text
        assert not list(small_disk.rglob(f"{DRAFT}*"))
        assert client.get(f"/api/v1/photos/{before['id']}/content").content == different(small, 1)
        ballast.unlink()
        status, after = upload(2)
        assert status == 201
        assert client.get(f"/api/v1/photos/{after['id']}/content").content == different(small, 2)
        assert client.post("/api/v1/grades", json={"photos": [before["id"]]}).status_code == 201
        assert upload(1) == (201, before)


def test_database_that_finds_the_disk_full_answers_507(small_disk: Path, small: bytes, tmp_path: Path) -> None:
    """Photos lie elsewhere: only the record has no room."""
    settings = Settings(data=small_disk / "data", blobs=f"file://{tmp_path / 'photos'}", workers=1, waiting=4)
    with TestClient(create_app(settings), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        ballast = disks.fill(small_disk)
        body = {"identifier": "H-1", "hours": 3, "notes": "x" * 4000}
        codes = {client.post("/api/v1/machines", json=body | {"identifier": f"H-{n}"}).status_code for n in range(40)}
        assert 507 in codes
        assert codes <= {201, 507}
        ballast.unlink()
        assert client.post("/api/v1/machines", json=body | {"identifier": "H-99"}).status_code == 201


def test_upload_that_finds_no_room_while_it_arrives_answers_507(
    small_disk: Path, small: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Large uploads wait in a temporary file until they are whole; here that has no room."""
    monkeypatch.setattr(tempfile, "tempdir", str(small_disk))
    settings = Settings(data=tmp_path / "data", workers=1, waiting=4)
    with TestClient(create_app(settings), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        ballast = disks.fill(small_disk)
        large = small + bytes(2 << 20)
        answer = client.post("/api/v1/photos", files={"file": large})
        assert (answer.status_code, answer.json()["code"]) == (507, "disk-full")
        ballast.unlink()
        assert client.post("/api/v1/photos", files={"file": large}).status_code == 201
