"""A set goes out as a folder and comes back: equal truths, splits and masks; what is hostile or gone stays out."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from sqlalchemy import select

from wearvision.cli import main
from wearvision.errors import InputError
from wearvision.labels.folder import read_folder
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.erase import erase
from wearvision_api.settings import Settings
from wearvision_api.store.tables import PhotoRow, now
from wearvision_api.store.teaching_tables import DataSetRow, ExampleRow, LabelRow, Permission
from wearvision_api.teaching import manifest, set_archive, set_export, set_import
from wearvision_api.teaching.pieces import read_png
from wearvision_api.teaching.sets import Choice, freeze

GROUND = "handed on by their owner"
NONE = {"part": "none", "view": None, "grade": None}


def photograph(seed: int) -> bytes:
    """A JPEG that tells where it was taken, turned on its side."""
    pixels = np.random.default_rng(seed).integers(0, 256, (90, 120, 3), np.uint8)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F] = "a maker"
    exif.get_ifd(0x8825)[1] = "N"
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", exif=exif)
    return buffer.getvalue()


@pytest.fixture
def full(world: Any, new_picture: Callable[[int], bytes]) -> Any:
    """Photos of four machines and one of no part, two of them labelled twice, frozen."""
    with world.house.session() as session:
        for seed in range(6):
            row = world.example(session, new_picture(seed), machine=f"H-{seed // 2}", at_random=seed == 1)
            if seed == 1:
                world.label(session, row, {"part": "flame_cell", "view": "face", "grade": "replace"}, turn=2)
                row.truth = row.truth | {"rank": "agreed", "bounds": {}, "faults": [], "at_least": None}
        world.example(session, new_picture(7), body=NONE)
        turned = world.example(session, photograph(8), machine="H-8")
        turned.photo.width, turned.photo.height, turned.photo.media_type = 90, 120, "image/jpeg"
        session.commit()
    world.row = world.freeze("Spring")
    return world


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[House]:
    house = House.open(Settings(data=tmp_path / "empty", workers=1))
    yield house
    house.close()


def written(world: Any, folder: Path) -> set_export.Written:
    with world.house.session(writes=False) as session:
        return set_export.write(world.house, session, world.row, folder)


def known(held: manifest.Manifest, names: dict[str, str] | None = None) -> dict[str, Any]:
    """What must survive, by the hash of the photo as it first came."""
    return {
        (names or {}).get(one.sha256, one.sha256): (
            one.truth["part"],
            one.truth["grade"],
            one.truth["rank"],
            one.split,
            one.group,
            one.machine,
            one.at_random,
            sorted(one.masks),
        )
        for one in held.photos
    }


def test_folder_holds_the_set_and_comes_back_as_equal_examples(full: Any, empty: House, tmp_path: Path) -> None:
    done = written(full, tmp_path / "out")
    assert (done.photos, done.left_out) == (8, {})
    found = read_folder(tmp_path / "out")
    taken = list(set_import.import_examples(empty, full.who, found, GROUND))
    assert [one.fault for one in taken] == [""] * 8
    with empty.session(writes=False) as session:
        rows = session.scalars(select(ExampleRow)).all()
        assert {(one.state, one.source) for one in rows} == {("settled", "folder")}
        assert session.scalars(select(LabelRow)).all() == [], "nobody here said anything yet"
        names = {one.sha256: (one.brought or {})["sha256"] for one in rows}
    with empty.session() as session:
        again = freeze(empty, session, full.who, "Spring", "", Choice())
        session.commit()
    first, second = (manifest.read(one.blobs, row.sha256) for one, row in ((full.house, full.row), (empty, again)))
    assert known(second, names) == known(first)
    by_name = {names[one.sha256]: one for one in second.photos}
    for one in first.photos:
        other = by_name[one.sha256]
        for name, digest in one.masks.items():
            masks = [
                read_png(house.blobs.get(mask)) for house, mask in ((full.house, digest), (empty, other.masks[name]))
            ]
            assert np.array_equal(*masks)
        said = [
            json.loads(house.blobs.get(which.labels))["labels"] for house, which in ((full.house, one), (empty, other))
        ]
        assert said[0] == said[1]


def test_folder_taken_in_twice_or_beside_its_source_adds_nothing(full: Any, empty: House, tmp_path: Path) -> None:
    written(full, tmp_path / "out")
    found = read_folder(tmp_path / "out")
    list(set_import.import_examples(empty, full.who, found, GROUND))
    assert [(one.is_new, one.fault) for one in set_import.import_examples(empty, full.who, found, GROUND)] == [
        (False, "")
    ] * 8
    assert {one.is_new for one in set_import.import_examples(full.house, full.who, found, GROUND)} == {False}


@pytest.mark.on_both
def test_folder_comes_back_as_a_set_of_its_own(full: Any, tmp_path: Path) -> None:
    written(full, tmp_path / "out")
    found = read_folder(tmp_path / "out")
    with full.house.session() as session:
        row = set_import.import_set(full.house, session, full.who, found, GROUND, "Brought")
        session.commit()
    held = manifest.read(full.house.blobs, row.sha256)
    first = manifest.read(full.house.blobs, full.row.sha256)
    assert sorted(known(held).values()) == sorted(known(first).values())
    assert row.counts["parts"] == full.row.counts["parts"]
    with full.house.session(writes=False) as session:
        assert len(session.scalars(select(ExampleRow)).all()) == 8, "it makes no example"
    with full.house.session() as session, pytest.raises(Problem, match="already"):
        set_import.import_set(full.house, session, full.who, found, GROUND, "Brought")


def test_photo_goes_out_upright_alike_and_without_its_place(full: Any, tmp_path: Path) -> None:
    written(full, tmp_path / "out")
    for path in (tmp_path / "out" / "photos").glob("*.jpg"):
        with Image.open(path) as image:
            exif = image.getexif()
            assert 0x010F not in exif
            assert dict(exif.get_ifd(0x8825)) == {}
            assert exif.get(0x0112) == 6
    sizes = {}
    for mask in (tmp_path / "out" / "masks").rglob("rim.png"):
        with Image.open(mask) as image:
            sizes[mask.parent.name] = image.size
    assert [name for name, size in sizes.items() if size == (90, 120)] == [path.stem]
    text = (tmp_path / "out" / "examples.jsonl").read_text()
    assert full.who.name not in text
    assert "person-" in text


def test_erased_and_withdrawn_photos_stay_out_and_are_told(full: Any, tmp_path: Path) -> None:
    with full.house.session() as session:
        rows = session.scalars(select(ExampleRow).order_by(ExampleRow.created_at)).all()
        erase(session, full.house.key, "office", rows[0].photo_id, "asked for")
        session.get_one(Permission, rows[1].photo_id).withdrawn_at = now()
        session.commit()
    done = written(full, tmp_path / "out")
    expected = {rows[0].sha256: "erased", rows[1].sha256: "permission withdrawn"}
    assert done.left_out == expected
    with (tmp_path / "out" / "left_out.csv").open() as file:
        assert {one["sha256"]: one["why"] for one in csv.DictReader(file)} == expected
    assert not {one.sha256 for one in read_folder(tmp_path / "out")} & expected.keys()
    assert not [one for one in (tmp_path / "out").rglob("*") if rows[0].sha256 in one.name]


def zip_of(folder: Path) -> io.BytesIO:
    return io.BytesIO(b"".join(set_export.zipped(folder)))


def test_archive_is_the_folder_and_the_same_each_time(full: Any, tmp_path: Path) -> None:
    """Read by Python's own zip library."""
    written(full, tmp_path / "out")
    archive = zip_of(tmp_path / "out")
    assert archive.getvalue() == zip_of(tmp_path / "out").getvalue()
    with zipfile.ZipFile(archive) as found:
        assert found.testzip() is None
        files = [one for one in (tmp_path / "out").rglob("*") if one.is_file()]
        assert {name: found.read(name) for name in found.namelist()} == {
            one.relative_to(tmp_path / "out").as_posix(): one.read_bytes() for one in files
        }
    (tmp_path / "in").mkdir()
    place = set_archive.unpack(archive, tmp_path / "in", 10**7)
    assert read_folder(place).sha256 == read_folder(tmp_path / "out").sha256


def test_folder_that_was_zipped_whole_is_read_too(full: Any, tmp_path: Path) -> None:
    written(full, tmp_path / "out")
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as made:
        for path in (tmp_path / "out").rglob("*"):
            made.write(path, f"spring/{path.relative_to(tmp_path / 'out')}")
        made.writestr("__MACOSX/spring/._set.json", "added by a system")
    (tmp_path / "in").mkdir()
    assert len(read_folder(set_archive.unpack(archive, tmp_path / "in", 10**7))) == 8
    assert not (tmp_path / "in" / "__MACOSX").exists()


SET = ("set.json", b"{}")


@pytest.mark.parametrize(
    ("members", "words"),
    [
        ([SET, ("../out.csv", b"x")], "outside"),
        ([SET, ("/etc/x", b"x")], "outside"),
        ([SET, ("photos/..", b"x")], "outside"),
        ([SET, ("photos/a\\b.png", b"x")], "outside"),
        ([SET, ("photos/c:b.png", b"x")], "outside"),
        ([SET, ("program.sh", b"x")], "belongs to no labelled folder"),
        ([SET, ("masks/x.png", b"x")], "belongs to no labelled folder"),
        ([SET, ("masks/a/x.svg", b"x")], "belongs to no labelled folder"),
        ([SET, ("photos/a.png", b"x"), ("photos/A.png", b"y")], "twice"),
        ([("photos/a.png", b"x")], "no set.json"),
        ([SET, ("photos/a.png", bytes(2 * 10**6))], "unpacks to more"),
    ],
)
def test_hostile_archive_is_refused_and_writes_nothing_outside(
    tmp_path: Path, members: list[tuple[str, bytes]], words: str
) -> None:
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as made:
        for name, data in members:
            made.writestr(name, data)
    inside = tmp_path / "a" / "in"
    inside.mkdir(parents=True)
    with pytest.raises(InputError, match=words):
        set_archive.unpack(archive, inside, 10**6)
    assert [one.name for one in tmp_path.iterdir()] == ["a"]
    assert [one.name for one in (tmp_path / "a").iterdir()] == ["in"]


def test_link_bomb_and_unusual_packing_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(make: Callable[[zipfile.ZipFile], object], words: str) -> None:
        archive = io.BytesIO()
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as made:
            made.writestr(*SET)
            make(made)
        inside = tmp_path / words[:6]
        inside.mkdir()
        with pytest.raises(InputError, match=words):
            set_archive.unpack(archive, inside, 10**9)

    link = zipfile.ZipInfo("photos/a.png")
    link.external_attr = 0o120777 << 16
    refused(lambda made: made.writestr(link, "/etc/passwd"), "is a link")
    refused(lambda made: made.writestr("photos/a.png", b"x", zipfile.ZIP_BZIP2), "unusually")
    monkeypatch.setattr(set_archive, "SPARE_BYTES", 1000)
    refused(lambda made: made.writestr("photos/a.png", bytes(10**7)), "unpacks to more")
    monkeypatch.setattr(set_archive, "MOST_MEMBERS", 1)
    refused(lambda made: made.writestr("photos/a.png", b"x"), "more than 1 files")


def test_split_that_differs_from_what_stands_here_is_refused(
    full: Any, empty: House, tmp_path: Path, new_picture: Callable[[int], bytes]
) -> None:
    """A machine of the folder stands here in another group: that photo stays out, the others come."""
    written(full, tmp_path / "out")
    with empty.session() as session:
        full.house, was = empty, full.house
        full.example(session, new_picture(77), machine="h-0 ", group="another", split="test")
        session.commit()
        full.house = was
    taken = list(set_import.import_examples(empty, full.who, read_folder(tmp_path / "out"), GROUND))
    assert sorted(one.name[:3] for one in taken if "learned from and tested" in one.fault) == ["H-0", "H-0"]
    assert sum(one.is_new for one in taken) == 6


def test_erased_photo_is_not_brought_back_by_a_set(full: Any, tmp_path: Path) -> None:
    written(full, tmp_path / "out")
    with full.house.session() as session:
        row = session.scalars(select(ExampleRow).where(ExampleRow.machine == "H-0")).first()
        erase(session, full.house.key, "office", row.photo_id, "asked for")
        session.commit()
    found = read_folder(tmp_path / "out")
    taken = list(set_import.import_examples(full.house, full.who, found, GROUND))
    assert [one.fault[:21] for one in taken if one.fault] == ["This photo was erased"]
    with full.house.session() as session, pytest.raises(Problem, match="was erased"):
        set_import.import_set(full.house, session, full.who, found, GROUND, "Again")


def test_table_made_by_hand_comes_in_with_the_lowest_rank(
    empty: House, world: Any, tmp_path: Path, new_picture: Callable[[int], bytes]
) -> None:
    folder = tmp_path / "hand"
    (folder / "photos").mkdir(parents=True)
    for seed in range(2):
        (folder / "photos" / f"{seed}.png").write_bytes(new_picture(seed))
    (folder / "examples.csv").write_text(
        "file,machine,part,view,grade\n0.png,H-1,flame_cell,face,replace\n1.png,H-1,none,,\n"
    )
    taken = list(set_import.import_examples(empty, world.who, read_folder(folder), GROUND))
    assert [one.fault for one in taken] == ["", ""]
    with empty.session(writes=False) as session:
        rows = session.scalars(select(ExampleRow).order_by(ExampleRow.created_at)).all()
    assert [(one.truth["part"], one.truth["grade"], one.truth["rank"]) for one in rows] == [  # type: ignore[index]
        ("flame_cell", "replace", "one"),
        ("none", None, "one"),
    ]
    assert len({one.group for one in rows}) == 1


def test_commands_write_a_set_out_and_take_it_in(full: Any, tmp_path: Path) -> None:
    data = str(full.house.settings.data)
    run = CliRunner().invoke
    done = run(main, ["export-set", "Spring", "--out", str(tmp_path / "out"), "--data", data])
    assert (done.exit_code, done.stdout) == (0, "")
    assert "8 photos; 0 left out" in done.stderr
    assert run(main, ["export-set", "Spring", "--out", str(tmp_path / "out"), "--data", data]).exit_code == 2
    assert run(main, ["export-set", "None", "--out", str(tmp_path / "x"), "--data", data]).exit_code == 1
    assert run(main, ["export-set", "Spring", "--zip", "--out", str(tmp_path / "o.zip"), "--data", data]).exit_code == 0
    new = str(tmp_path / "new")
    taken = run(main, ["import-set", str(tmp_path / "o.zip"), "--as-examples", "--ground", GROUND, "--data", new])
    assert (taken.exit_code, "8 new examples" in taken.stderr) == (0, True), taken.output
    made = run(main, ["import-set", str(tmp_path / "out"), "--ground", GROUND, "--data", new])
    assert (made.exit_code, "Spring: 8 photos" in made.stderr) == (0, True), made.output
    (tmp_path / "out" / "examples.jsonl").write_text("{}\n")
    broken = run(main, ["import-set", str(tmp_path / "out"), "--ground", GROUND, "--data", new, "--name", "x"])
    assert (broken.exit_code, "examples.jsonl" in broken.stderr) == (1, True)
    assert list(Path(new).glob(".import-*")) == []


def test_stale_draft_of_an_export_goes_and_fresh_ones_stay(full: Any) -> None:
    import os

    data = full.house.settings.data
    for name, age in (("old", 2 * 86400), ("fresh", 60)):
        (data / f".export-{name}").mkdir()
        stat = (data / f".export-{name}").stat()
        os.utime(data / f".export-{name}", (stat.st_atime, stat.st_mtime - age))
    with (
        full.house.session(writes=False) as session,
        set_export.written_out(full.house, session, full.row) as (place, _),
    ):
        assert place.is_dir()
    assert [one.name for one in data.glob(".export-*")] == [".export-fresh"]
    with full.house.session(writes=False) as session:
        assert session.scalars(select(DataSetRow.name)).all() == ["Spring"]
        assert len(session.scalars(select(PhotoRow)).all()) == 8
