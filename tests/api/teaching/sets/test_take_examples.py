"""A heap of photos becomes examples: each once, grouped by where it lies; hostile archives are refused."""

from __future__ import annotations

import io
import threading
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from wearvision.cli import main
from wearvision.errors import InputError
from wearvision_api.problems import Problem
from wearvision_api.record.erase import erase
from wearvision_api.record.keys import open_key
from wearvision_api.store.tables import PhotoRow
from wearvision_api.store.teaching_tables import ExampleRow, Permission
from wearvision_api.teaching import heaps
from wearvision_api.teaching.heaps import Archive, Folder
from wearvision_api.teaching.take_examples import take_in

GROUND = "our own machines"


@pytest.fixture
def heap(tmp_path: Path, new_picture: Callable[[int], bytes]) -> Path:
    """Two photos of one machine, one of another, one at the top, and one that is none."""
    root = tmp_path / "photos"
    for seed, name in enumerate(["H-1/face.png", "H-1/side.png", "H-2/face.png", "alone.png"]):
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(new_picture(seed))
    (root / "H-2" / "torn.jpg").write_bytes(b"\xff\xd8 no photo")
    (root / "notes.txt").write_text("no photo either")
    (root / ".hidden.png").write_bytes(new_picture(99))
    return root


def rows(world: Any) -> list[ExampleRow]:
    with world.house.session(writes=False) as session:
        return list(session.scalars(select(ExampleRow).order_by(ExampleRow.created_at)))


@pytest.mark.on_both
def test_photos_of_one_folder_share_a_group_and_faults_do_not_stop_the_rest(world: Any, heap: Path) -> None:
    taken = list(take_in(world.house, world.who, Folder(heap), GROUND, look=False))
    assert [(one.name, bool(one.example), bool(one.fault)) for one in taken] == [
        ("H-1/face.png", True, False),
        ("H-1/side.png", True, False),
        ("H-2/face.png", True, False),
        ("H-2/torn.jpg", False, True),
        ("alone.png", True, False),
    ]
    found = rows(world)
    assert len({one.group for one in found}) == 3
    assert found[0].group == found[1].group
    assert {one.machine for one in found} == {""}
    assert {(one.source, one.state) for one in found} == {("folder", "waiting")}
    with world.house.session(writes=False) as session:
        assert {one.basis for one in session.scalars(select(Permission))} == {GROUND}


def test_folder_names_become_machines_where_asked(world: Any, heap: Path) -> None:
    list(take_in(world.house, world.who, Folder(heap), GROUND, machine_from_folder=True, look=False))
    assert [one.machine for one in rows(world)] == ["H-1", "H-1", "H-2", ""]


@pytest.mark.on_both
def test_stopped_heap_goes_on_and_takes_nothing_twice(world: Any, heap: Path) -> None:
    run = take_in(world.house, world.who, Folder(heap), GROUND, look=False)
    first = next(run)
    run.close()
    again = list(take_in(world.house, world.who, Folder(heap), GROUND, look=False))
    assert [(one.example, one.is_new) for one in again if one.name == first.name] == [(first.example, False)]
    assert len(rows(world)) == 4
    with world.house.session(writes=False) as session:
        assert len(session.scalars(select(PhotoRow)).all()) == 4


@pytest.mark.on_both
def test_two_at_once_take_each_photo_once(world: Any, heap: Path) -> None:
    found: list[Any] = []

    def run() -> None:
        found.extend(take_in(world.house, world.who, Folder(heap), GROUND, look=False))

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(rows(world)) == 4
    assert sum(one.is_new for one in found) == 4
    assert [one.name for one in found if one.fault] == ["H-2/torn.jpg"] * 2


def test_archive_gives_what_the_folder_gives(world: Any, heap: Path) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for path in heap.rglob("*"):
            archive.write(path, f"photos/{path.relative_to(heap)}")
    taken = list(
        take_in(world.house, world.who, Archive(buffer, "x.zip"), GROUND, machine_from_folder=True, look=False)
    )
    assert [one.name for one in taken if one.fault] == ["photos/H-2/torn.jpg"]
    assert sorted(one.machine for one in rows(world)) == ["H-1", "H-1", "H-2", "photos"]


@pytest.mark.parametrize("name", ["../out.png", "/etc/x.png", "a/../../b.png", "a\\b.png"])
def test_name_outside_the_archive_is_refused(name: str, new_picture: Callable[[int], bytes]) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr(name, new_picture(1))
    with pytest.raises(InputError, match="outside"):
        list(Archive(buffer).files())


def test_link_in_an_archive_or_folder_is_passed_over(tmp_path: Path, new_picture: Callable[[int], bytes]) -> None:
    (tmp_path / "secret.png").write_bytes(new_picture(1))
    inside = tmp_path / "heap"
    inside.mkdir()
    (inside / "a.png").symlink_to(tmp_path / "secret.png")
    (inside / "b").symlink_to(tmp_path)
    assert list(Folder(inside).files()) == []
    with pytest.raises(InputError, match="no file"):
        Folder(inside).read("a.png", 10**6)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        info = zipfile.ZipInfo("a.png")
        info.external_attr = 0o120777 << 16
        archive.writestr(info, "../secret.png")
    assert list(Archive(buffer).files()) == []


def test_bomb_is_read_no_further_than_a_photo_may_be(world: Any, tmp_path: Path) -> None:
    """A kilobyte that unpacks to a gigabyte; one packed by a method that unpacks all at once."""
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("a.png", "w") as member:
        for _ in range(70):
            member.write(bytes(1 << 20))
    with zipfile.ZipFile(bomb, "a", zipfile.ZIP_LZMA) as archive:
        archive.writestr("b.png", bytes(1 << 16))
    with bomb.open("rb") as file:
        taken = list(take_in(world.house, world.who, Archive(file), GROUND, look=False))
    assert ["has more than" in taken[0].fault, "unusually" in taken[1].fault] == [True, True]


def test_too_many_photos_and_no_archive_are_refused(monkeypatch: pytest.MonkeyPatch, heap: Path) -> None:
    monkeypatch.setattr(heaps, "MOST_FILES", 2)
    with pytest.raises(InputError, match="by parts"):
        list(Folder(heap).files())
    with pytest.raises(InputError, match="no zip archive"):
        Archive(io.BytesIO(b"nothing"))


def test_ground_is_needed(world: Any, heap: Path) -> None:
    with pytest.raises(Problem, match="on what ground"):
        list(take_in(world.house, world.who, Folder(heap), "  ", look=False))
    assert rows(world) == []


def test_erased_photo_does_not_come_back_with_a_folder(world: Any, heap: Path, tmp_path: Path) -> None:
    list(take_in(world.house, world.who, Folder(heap), GROUND, look=False))
    gone = rows(world)[0]
    with world.house.session() as session:
        erase(session, open_key(tmp_path / "key.pem"), "office", gone.photo_id, "asked for")
        session.commit()
    taken = list(take_in(world.house, world.who, Folder(heap), GROUND, look=False))
    assert [("was erased on" in one.fault, one.name) for one in taken if one.fault] == [
        (True, "H-1/face.png"),
        (False, "H-2/torn.jpg"),
    ]


def test_command_looks_at_each_photo_lists_faults_and_goes_on(world: Any, tmp_path: Path, samples: Path) -> None:
    root = tmp_path / "heap" / "H-1"
    root.mkdir(parents=True)
    (root / "a.jpg").write_bytes(sorted(samples.glob("coupler*.jpg"))[0].read_bytes())
    (root / "b.jpg").write_bytes(b"none")
    command = ["take-examples", str(root.parent), "--data", str(world.house.settings.data), "--ground", GROUND]
    done = CliRunner().invoke(main, [*command, "--machine-from-folder-names"])
    assert done.exit_code == 1
    assert done.stdout.startswith("H-1/b.jpg: ")
    assert "1 new examples; 0 were there already; 1 could not" in done.stderr
    found = rows(world)[0]
    assert (found.machine, (found.opinion or {})["part"]["name"]) == ("H-1", "coupler")
    again = CliRunner().invoke(main, [*command, "--json"])
    assert '"is_new": false' in again.stdout
    assert CliRunner().invoke(main, [*command[:-2], "--ground", " "]).exit_code == 1
    assert CliRunner().invoke(main, [*command, "--account", "nobody"]).exit_code == 2
