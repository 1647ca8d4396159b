"""Readers of whole files: parcels of returns, labelled folders and their archives, tables of parts that run."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from feed import Feed
from picture_targets import photo_seeds
from target import Target
from text_targets import LABEL, LABEL_WORDS, TRUTH, scratch

from wearvision.errors import InputError
from wearvision.labels.folder import read_folder

TABLE = (
    b"part,serial,claimant,hours_installed,hours_failed,photos\nflame_cell,A-1,yard,10,60,face=a.jpg; side=b.jpg\n"
    b'electrode,,yard,,,""\n'
)
MOST_PHOTO = 1 << 20


def parcel(data: bytes) -> None:
    """A parcel's table and photos are read, from a zip archive or as a bare table, or refused in words."""
    from wearvision_api.returns.parcels import TABLE as NAME
    from wearvision_api.returns.parcels import Archive, rows_of

    if data[:1] != b"P":
        data = _zipped({NAME: data})
    try:
        archive = Archive(io.BytesIO(data))
        rows = list(rows_of(archive))
        names = [name for row in rows for _, name in row.photos]
    except InputError:
        return
    for name in names[:3]:
        try:
            assert len(archive.read(name, MOST_PHOTO)) <= MOST_PHOTO
        except InputError:
            continue


def fitted(data: bytes) -> None:
    """A table of parts that run is read, or refused by a problem that names the line."""
    from wearvision_api.problems import Problem
    from wearvision_api.services.fitted import read_table

    try:
        read_table(io.BytesIO(data))
    except (Problem, InputError):
        return


def set_archive(data: bytes) -> None:
    """An archive of a labelled folder writes nothing outside its folder, nor much more than it is."""
    from wearvision_api.teaching.set_archive import unpack

    folder = scratch() / "unpacked"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    before = set(scratch().iterdir())
    with contextlib.suppress(InputError):
        read_folder(unpack(io.BytesIO(data), folder, MOST_PHOTO))
    assert set(scratch().iterdir()) == before
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) <= 100 * len(data) + (64 << 20)


def folder(data: bytes) -> None:
    """Lines of a labelled folder, vouched for by a right hash, are read or refused by file and line."""
    root = _folder()
    if data[:1] == b"\1":
        data = json.dumps(Feed(data[1:]).changed(_line(), [*LABEL_WORDS, *_line()])).encode("utf-8", "surrogateescape")
    elif data[:1] == b"\2":
        return _by_hand(data[1:])
    (root / "examples.jsonl").write_bytes(data)
    head = {"name": "x", "made": "2026-01-01", "sha256": hashlib.sha256(data).hexdigest(), "limits": {}}
    (root / "set.json").write_text(json.dumps(head), "utf-8")
    try:
        items = read_folder(root).items
    except InputError:
        return
    assert all(item.photo.resolve().is_relative_to(root.resolve()) for item in items if isinstance(item.photo, Path))


def _by_hand(data: bytes) -> None:
    root = _folder("hand")
    (root / "examples.csv").write_bytes(data)
    try:
        read_folder(root)
    except InputError:
        return


@cache
def _folder(name: str = "written") -> Path:
    root = scratch() / name
    (root / "photos").mkdir(parents=True)
    (root / "photos" / "a.jpg").write_bytes(photo_seeds()[4])
    return root


@cache
def _line() -> dict[str, object]:
    digest = hashlib.sha256(photo_seeds()[4]).hexdigest()
    return {
        "sha256": digest,
        "file": "photos/a.jpg",
        "file_sha256": digest,
        "machine": "M-1",
        "group": "m:M-1",
        "split": "train",
        "at_random": True,
        "truth": dict(TRUTH),
        "labels": [{"author": "a", "turn": 1, "at": "", "body": dict(LABEL)}],
        "masks": {},
    }


def _zipped(members: dict[str, bytes], packed: int = zipfile.ZIP_STORED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", packed) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def _parcel_seeds() -> Sequence[bytes]:
    members = {"returns.csv": TABLE, "a.jpg": photo_seeds()[4], "b.jpg": b"none"}
    return [
        TABLE,
        TABLE.replace(b",", b";"),
        b"\xef\xbb\xbf" + TABLE,
        _zipped(members),
        _zipped(members, zipfile.ZIP_DEFLATED),
    ]


def _set_seeds() -> Sequence[bytes]:
    lines = json.dumps(_line()).encode() + b"\n"
    head = json.dumps({"name": "x", "made": "", "sha256": hashlib.sha256(lines).hexdigest(), "limits": {}}).encode()
    written = {"set.json": head, "examples.jsonl": lines, "photos/a.jpg": photo_seeds()[4]}
    by_hand = {"x/examples.csv": b"file,part\na.jpg,flame_cell\n", "x/photos/a.jpg": photo_seeds()[4]}
    return [_zipped(written), _zipped(by_hand, zipfile.ZIP_DEFLATED), _zipped({"../examples.csv": b"file,part\n"})]


ZIP_WORDS = (
    b"PK\1\2",
    b"PK\3\4",
    b"PK\5\6",
    b"PK\6\6",
    b"PK\6\7",
    b"PK\7\x08",
    b"returns.csv",
    b"examples.csv",
    b"set.json",
    b"photos/",
    b"../",
    b"\\",
    b"/etc/",
    b"part",
    b"photos",
    b"face=a.jpg",
    b";",
    b'"',
    b"\r\n",
    b"\0",
    b"\xff\xff\xff\xff",
    b"\x0e\0",
    b"\x08\0",
)
CSV_WORDS = (
    *ZIP_WORDS,
    b"count",
    b"fitted",
    b"unit",
    b"lot",
    b"maker",
    b"until",
    b"2026-01-01",
    b"1e99",
    b"-1",
    b"flame_cell",
    b"electrode",
)

TARGETS = (
    Target("parcel", parcel, _parcel_seeds, ZIP_WORDS, 8192),
    Target(
        "labelled-folder",
        folder,
        lambda: [b"\1", json.dumps(_line()).encode(), b"\2file,part,grade\na.jpg,flame_cell,replace\n"],
        ZIP_WORDS,
        4096,
    ),
    Target("set-archive", set_archive, _set_seeds, ZIP_WORDS, 8192),
    Target("fitted-table", fitted, lambda: [_fitted_seed()], CSV_WORDS, 2048),
)


def _fitted_seed() -> bytes:
    from wearvision_api.services.fitted import COLUMNS

    return ",".join(COLUMNS).encode() + b"\n" + b",".join([b"1"] * len(COLUMNS)) + b"\n"
