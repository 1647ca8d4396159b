"""Backup while others write, restore into an empty place, and what a damaged or foreign file comes to."""

from __future__ import annotations

import io
import stat
import tarfile
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from fastapi.testclient import TestClient

from wearvision_api.app import create_app
from wearvision_api.commands import COMMANDS
from wearvision_api.settings import Settings
from wearvision_api.upkeep.archive import BadArchive
from wearvision_api.upkeep.backup import backup, restore

from .process import different


def does(name: str, *options: str) -> Result:
    return CliRunner().invoke(COMMANDS[name], options)


@pytest.mark.on_both
def test_backup_under_load_is_whole_and_holds_all_that_was_answered_before(
    settings: Settings, small: bytes, tmp_path: Path
) -> None:
    answered: dict[str, bytes] = {}
    stop = threading.Event()
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:

        def upload(number: int) -> None:
            data = different(small, number)
            answer = client.post("/api/v1/photos", files={"file": data})
            assert answer.status_code == 201
            answered[answer.json()["id"]] = data

        def work(first: int) -> None:
            number = first
            while not stop.is_set():
                upload(number)
                number += 1

        writers = [threading.Thread(target=work, args=(1000 * n,)) for n in (1, 2)]
        for writer in writers:
            writer.start()
        while len(answered) < 6:
            stop.wait(0.01)
        before = dict(answered)
        backup(settings.database_url, settings.blob_url, tmp_path / "backup.tar")
        stop.set()
        for writer in writers:
            writer.join()
    assert stat.S_IMODE((tmp_path / "backup.tar").stat().st_mode) == 0o600
    new = Settings(data=tmp_path / "new", workers=1)
    restored = restore(tmp_path / "backup.tar", new.database_url, new.blob_url)
    assert len(before) <= restored.photos <= len(answered) + 1
    with TestClient(create_app(new), base_url="http://127.0.0.1") as client:
        for photo, data in before.items():
            assert client.get(f"/api/v1/photos/{photo}/content").content == data


@pytest.fixture
def kept(client: TestClient, settings: Settings, small: bytes, tmp_path: Path) -> Path:
    """A backup of one photo, made by the command while the service runs."""
    assert client.post("/api/v1/photos", files={"file": small}).status_code == 201
    done = does("backup", str(tmp_path / "backup.tar"), "--data", str(settings.data))
    assert done.exit_code == 0, done.output
    assert "1 photos" in done.output
    return tmp_path / "backup.tar"


def rewritten(path: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """A copy with members changed or left out."""
    copy = path.with_name("changed.tar")
    with tarfile.open(path) as old, tarfile.open(copy, "w") as new:
        for info in old:
            content = old.extractfile(info)
            assert content is not None
            data = change(info.name, content.read())
            if data is not None:
                info.size = len(data)
                new.addfile(info, io.BytesIO(data))
    return copy


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda name, data: data[:-1] + b"?" if name.startswith("photos/") else data, "is damaged"),
        (lambda name, data: None if name.startswith("photos/") else data, "photos are missing"),
        (lambda name, data: data + b"{}\n" if name == "tables/photos.jsonl" else data, "photos is damaged"),
        (lambda name, data: None if name == "tables/photos.jsonl" else data, "photos is damaged or missing"),
        (lambda name, data: None if name == "manifest.json" else data, "was cut off"),
        (lambda name, data: data.replace(b'"form": 1', b'"form": 9') if name == "manifest.json" else data, "form 9"),
    ],
)
def test_damaged_archive_restores_nothing(
    kept: Path, tmp_path: Path, change: Callable[[str, bytes], bytes | None], reason: str
) -> None:
    damaged = rewritten(kept, change)
    done = does("restore", str(damaged), "--data", str(tmp_path / "new"))
    assert done.exit_code == 1
    assert reason in done.output
    assert not (tmp_path / "new").exists()


def test_archive_cut_off_anywhere_restores_nothing(kept: Path, tmp_path: Path) -> None:
    data = kept.read_bytes()
    for share in (0.1, 0.5, 0.9):
        (tmp_path / "cut.tar").write_bytes(data[: int(len(data) * share)])
        new = Settings(data=tmp_path / "new")
        with pytest.raises(BadArchive):
            restore(tmp_path / "cut.tar", new.database_url, new.blob_url)
    assert not (tmp_path / "new").exists()


def test_archive_with_foreign_names_is_refused(kept: Path, tmp_path: Path) -> None:
    with tarfile.open(kept, "a") as archive:
        info = tarfile.TarInfo("../../outside")
        info.size = 1
        archive.addfile(info, io.BytesIO(b"x"))
    done = does("restore", str(kept), "--data", str(tmp_path / "new"))
    assert done.exit_code == 1
    assert "which no backup holds" in done.output
    assert not (tmp_path.parent / "outside").exists()


def test_backup_over_a_file_and_restore_over_a_service_are_refused(
    kept: Path, settings: Settings, tmp_path: Path
) -> None:
    again = does("backup", str(kept), "--data", str(settings.data))
    assert again.exit_code == 1
    assert "there already" in again.output
    over = does("restore", str(kept), "--data", str(settings.data))
    assert over.exit_code == 1
    assert "not empty" in over.output
    assert does("backup", str(tmp_path / "b.tar"), "--data", str(tmp_path / "nowhere")).exit_code == 1
    assert not (tmp_path / "nowhere").exists()
    assert not (tmp_path / "b.tar").exists()
    assert not (tmp_path / "b.tar.part").exists()
