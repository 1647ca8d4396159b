"""Listing photos: one order, whatever their number and names."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.bulk.entries import demand_photos, in_order, list_photos, path_of, read_entry
from wearvision.errors import PhotoError, ResultsError

NAMES = st.lists(st.text(st.characters(exclude_characters="/\0", codec="utf-8"), min_size=1), max_size=40)


def addresses(*given: object, deep: bool = False) -> list[str]:
    return [entry.address for entry in list_photos([str(one) for one in given], deep=deep)]


@given(names=NAMES, run=st.integers(1, 9))
def test_names_are_sorted_whether_or_not_they_fit_into_memory(names: list[str], run: int) -> None:
    assert list(in_order(names, run)) == sorted(names)


def test_a_folder_gives_its_photos_in_order_and_deep_those_within(tmp_path: Path) -> None:
    (tmp_path / "m").mkdir()
    for name in ("b.jpg", "a.PNG", "c.txt", "m/z.heic"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "m" / "up").symlink_to(tmp_path)  # a circle: linked folders are not followed
    assert addresses(tmp_path) == [str(tmp_path / name) for name in ("a.PNG", "b.jpg")]
    assert addresses(tmp_path, deep=True) == [str(tmp_path / name) for name in ("a.PNG", "b.jpg", "m/z.heic")]


def test_odd_names_are_listed_and_found_again(tmp_path: Path) -> None:
    names = [b"a b.jpg", b"line\nbreak.jpg", "größe.jpg".encode(), b"\xff\xfe.jpg", b"100%41.jpg"]
    for name in names:
        with open(os.fsencode(tmp_path) + b"/" + name, "wb") as file:  # noqa: PTH123
            file.write(name)
    found = list(list_photos([str(tmp_path)]))
    assert {path_of(entry.address).read_bytes() for entry in found} == set(names)
    for entry in found:
        entry.address.encode("utf-8")
        entry.name.encode("utf-8")


def test_a_link_in_a_circle_is_listed_and_fails_when_it_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").symlink_to(tmp_path / "b.jpg")
    (tmp_path / "b.jpg").symlink_to(tmp_path / "a.jpg")
    assert [entry.size for entry in list_photos([str(tmp_path)])] == [None, None]


def test_a_changed_photo_is_another_entry(tmp_path: Path) -> None:
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"x")
    before = next(list_photos([str(photo)]))
    photo.write_bytes(b"xy")
    assert next(list_photos([str(photo)])).key != before.key


def test_a_list_of_addresses_stands_in_a_file(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"x")
    (tmp_path / "list.txt").write_text(f"{tmp_path / 'a.jpg'}\n\n{tmp_path}\n", "utf-8")
    assert addresses(f"@{tmp_path / 'list.txt'}") == [str(tmp_path / "a.jpg")] * 2
    with pytest.raises(ResultsError, match="cannot be read"):
        addresses("@/no/such/list")


def test_an_empty_folder_is_told_before_work_begins(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.jpg").touch()
    with pytest.raises(ResultsError, match="no photo"):
        demand_photos([str(tmp_path)])
    demand_photos([str(tmp_path)], deep=True)


@pytest.mark.parametrize(
    ("address", "count"), [("zip://::{}", 1), ("zip://in/*.jpg::{}", 2), ("zip://**/*.jpg::{}", 2)]
)
def test_photos_in_an_archive_are_listed_and_read(tmp_path: Path, address: str, count: int) -> None:
    archive = tmp_path / "years.zip"
    with zipfile.ZipFile(archive, "w") as file:
        for name in ("in/a.jpg", "in/b.jpg", "top.png", "notes.txt"):
            file.writestr(name, name.encode())
    found = list(list_photos([address.format(archive)]))
    assert len(found) == count
    assert [read_entry(entry) for entry in found] == [
        entry.address.partition("::")[0].removeprefix("zip://").encode() for entry in found
    ]


def test_a_store_gives_folders_patterns_and_its_own_marks() -> None:
    import fsspec

    store = fsspec.filesystem("memory")
    for name in ("/years/a b.jpg", "/years/1/c.jpg", "/years/notes.txt"):
        store.pipe(name, name.encode())
    try:
        assert addresses("memory://years") == ["memory:///years/a b.jpg"]
        assert len(addresses("memory://years", deep=True)) == 2
        assert addresses("memory://years/**/c.jpg") == ["memory:///years/1/c.jpg"]
        first = next(list_photos(["memory://years"]))
        store.pipe("/years/a b.jpg", b"other")
        assert next(list_photos(["memory://years"])).key != first.key
        store.rm("/years/a b.jpg")
        with pytest.raises(PhotoError, match=r"a b\.jpg could not be read"):
            read_entry(first)
    finally:
        store.rm("/years", recursive=True)
    with pytest.raises(ResultsError, match="cannot be listed"):
        addresses("memory://years")
