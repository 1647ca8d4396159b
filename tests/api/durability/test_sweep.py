"""Sweeping removes what no record names, never what one does or is about to."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from fastapi.testclient import TestClient

from wearvision_api.commands import COMMANDS
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.upkeep.sweep import IDLE_S, sweep


@pytest.mark.on_both
def test_sweep_removes_old_blobs_without_record_only(client: TestClient, settings: Settings, sample: Path) -> None:
    """Everything the service makes of a photo is named by some record, so even a sweep without patience leaves it."""
    house = client.app.state.house  # type: ignore[attr-defined]
    photo = client.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()
    assert client.post("/api/v1/grades", json={"photos": [photo["id"]]}).status_code == 201
    wanted = set(house.blobs.names())
    orphan = house.blobs.put(b"its request failed")
    with house.session(writes=False) as session:
        assert sweep(session, house.blobs).blobs == (), "it is fresh"
        assert sweep(session, house.blobs, idle_s=0).blobs == (orphan,)
    assert set(house.blobs.names()) == wanted
    assert len(wanted) == 3


def test_sweep_command_says_what_it_removed(client: TestClient, settings: Settings) -> None:
    store = Blobs(settings.blob_url)
    orphan = Path(store.root) / (name := store.put(b"old"))[:2] / name
    os.utime(orphan, (0, time.time() - IDLE_S - 60))
    done = CliRunner().invoke(COMMANDS["sweep"], ["--data", str(settings.data)])
    assert done.exit_code == 0, done.output
    assert "Removed 1 photos" in done.output
    assert not orphan.exists()


def test_blob_put_again_is_fresh_again(tmp_path: Path) -> None:
    blobs = Blobs(f"file://{tmp_path}")
    name = blobs.put(b"old")
    os.utime(tmp_path / name[:2] / name, (0, 0))
    blobs.put(b"old")
    assert blobs.remove([name], idle_s=60) == []
    assert blobs.get(name) == b"old"


def test_remove_waits_for_writers(tmp_path: Path) -> None:
    """What a writer has just relied on is looked at again under the lock, so it stays."""
    blobs = Blobs(f"file://{tmp_path}")
    name = blobs.put(b"old")
    path = tmp_path / name[:2] / name
    os.utime(path, (0, 0))
    removed: list[list[str]] = []
    with blobs._locked(1):  # 1 is LOCK_SH: a writer at work
        remover = threading.Thread(target=lambda: removed.append(blobs.remove([name], idle_s=60)))
        remover.start()
        time.sleep(0.1)
        assert removed == []
        os.utime(path)
    remover.join()
    assert removed == [[]]
    assert path.exists()


def test_object_store_keeps_photos_and_is_not_swept(sample: Path) -> None:
    """fsspec's memory file system stands for an object store."""
    blobs = Blobs("memory://burner-photos")
    name = blobs.put(sample.read_bytes())
    assert blobs.put(sample.read_bytes()) == name
    assert blobs.names() == [name]
    assert blobs.get(name) == sample.read_bytes()
    with pytest.raises(FileNotFoundError):
        blobs.get("0" * 64)
    with pytest.raises(NotImplementedError):
        blobs.remove([name], idle_s=0)
    blobs.system.rm(blobs.root, recursive=True)


def test_service_on_an_object_store_keeps_and_grades(tmp_path: Path, sample: Path) -> None:
    from wearvision_api.app import create_app

    settings = Settings(data=tmp_path / "data", blobs="memory://burner-service", workers=1)
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        photo = client.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()
        assert client.get(f"/api/v1/photos/{photo['id']}/content").content == sample.read_bytes()
        assert client.post("/api/v1/grades", json={"photos": [photo["id"]]}).status_code == 201
        assert client.get("/metrics").status_code == 200
    assert not (tmp_path / "data" / "photos").exists()
