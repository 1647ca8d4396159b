"""Reads a labelled folder, and believes nothing in it that it has not checked."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from wearvision.errors import PhotoError
from wearvision.labels.folder_out import HASH, MASK_NAME
from wearvision.labels.folder_table import rows_by_hand, yes
from wearvision.labels.label import LabelError
from wearvision.labels.labelled import LINES, MASKS, PHOTOS, SET, TABLE, FolderError, Labelled, LabelledSet
from wearvision.labels.splits import SPLITS, group_of, split_of
from wearvision.labels.truth import Truth
from wearvision.photo import ReadLimits
from wearvision.photo_files import QUIET, form_of, is_overfull, load_reader
from wearvision.standard.limits import Limits, load_limits

MOST_LINE = 2**20
"""Bytes of the longest line; a label of five thousand points has a tenth of it."""
MOST_TABLE = 64 * 2**20
_FIELDS = {
    "sha256": str, "file": str, "file_sha256": str, "machine": str, "group": str, "split": str, "at_random": bool,
    "truth": dict, "labels": list, "masks": dict,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class MaskFiles(Mapping[str, NDArray[np.bool_]]):
    """The masks of a photo, each read when it is asked for.

    Attributes:
        paths: Name to file, checked by hash and size when the folder was read.
    """

    paths: Mapping[str, Path]

    def __getitem__(self, name: str) -> NDArray[np.bool_]:
        path = self.paths[name]
        try:
            with QUIET, Image.open(path) as picture:
                codes = np.asarray(picture.convert("L"))
        except (OSError, ValueError, SyntaxError) as error:
            raise FolderError(str(path), f"can't be read: {error}.") from None
        if not np.isin(codes, (0, 255)).all():
            raise FolderError(str(path), "holds other values than 0 and 255.")
        return np.asarray(codes == 255)

    def __iter__(self) -> Iterator[str]:
        return iter(self.paths)

    def __len__(self) -> int:
        return len(self.paths)


def read_folder(folder: Path, limits: Limits | None = None) -> LabelledSet:
    """Reads a labelled folder: one that was written as such, or one made by hand (see ``wearvision.labels.folder``).

    Photos and masks stay on disk; their hashes and sizes are checked. Nothing outside the folder is read, and no link
    is followed.

    Args:
        folder: The folder.
        limits: Those under which grades in a table made by hand are taken; None for the standard's.

    Raises:
        FolderError: something is missing, damaged, doubled or out of place; it names file and line.
    """
    if not folder.is_dir():
        raise FolderError(str(folder), "is no folder.")
    if (folder / SET).exists() or (folder / LINES).exists():
        return _read_written(folder)
    return _read_by_hand(folder, limits or load_limits())


def _read_written(folder: Path) -> LabelledSet:
    head = _json(SET, _bytes(folder, SET, MOST_LINE), None)
    for key, kind in (("name", str), ("made", str), ("sha256", str), ("limits", dict)):
        if not isinstance(head.get(key), kind):
            raise FolderError(SET, f"{key} is missing or of another kind.")
    path = _inside(folder, LINES)
    if _hash(path) != head["sha256"]:
        raise FolderError(LINES, "is not what set.json vouches for: it was changed or is damaged.")
    items: dict[str, Labelled] = {}
    splits: dict[str, str] = {}
    with path.open("rb") as file:
        for number, line in enumerate(iter(lambda: file.readline(MOST_LINE + 1), b""), 1):
            if len(line) > MOST_LINE:
                raise FolderError(LINES, f"has more than {MOST_LINE} bytes.", number)
            item = _item(folder, _json(LINES, line, number), number)
            if item.sha256 in items:
                raise FolderError(LINES, f"the photo {item.sha256} stands there twice.", number)
            if splits.setdefault(item.group, item.split) != item.split:
                raise FolderError(LINES, f"its group stands in {splits[item.group]} and in {item.split}.", number)
            items[item.sha256] = item
    return LabelledSet(folder, head["name"], head["sha256"], head["made"], dict(head["limits"]), tuple(items.values()))


def _item(folder: Path, line: Mapping[str, Any], number: int) -> Labelled:
    if unknown := sorted(set(line) - set(_FIELDS)):
        raise FolderError(LINES, f"{unknown[0]!r:.60} is not known.", number)
    for key, kind in _FIELDS.items():
        if not isinstance(line.get(key), kind):
            raise FolderError(LINES, f"{key} is missing or of another kind.", number)
    if not HASH.fullmatch(line["sha256"]) or not line["file"].startswith(f"{PHOTOS}/"):
        raise FolderError(LINES, f"its hash or file is none: {line['file']!r:.80}.", number)
    if line["split"] not in SPLITS:
        raise FolderError(LINES, f"{line['split']!r:.40} is no split.", number)
    if not all(isinstance(label, dict) for label in line["labels"]):
        raise FolderError(LINES, "a label is no object.", number)
    try:
        truth = Truth.read(line["truth"])
    except LabelError as error:
        raise FolderError(LINES, f"truth: {error}", number) from None
    photo = _inside(folder, line["file"], LINES, number)
    if _hash(photo) != line["file_sha256"]:
        raise FolderError(LINES, f"{line['file']} was changed: its hash is another one.", number)
    masks = _masks(folder, line, number, _upright_size(photo, LINES, number)) if line["masks"] else {}
    return Labelled(
        line["sha256"],
        photo,
        line["machine"],
        line["group"],
        line["split"],
        line["at_random"],
        truth,
        tuple(line["labels"]),
        MaskFiles(masks),
    )


def _masks(folder: Path, line: Mapping[str, Any], number: int, size: tuple[int, int]) -> dict[str, Path]:
    found = {}
    for name, digest in line["masks"].items():
        if not MASK_NAME.fullmatch(name):
            raise FolderError(LINES, f"{name!r:.60} is no name of a mask.", number)
        file = f"{MASKS}/{line['sha256']}/{name}.png"
        path = _inside(folder, file, LINES, number)
        if _hash(path) != digest:
            raise FolderError(LINES, f"{file} was changed: its hash is another one.", number)
        width, height = _mask_size(path, file, number)
        if width > size[1] or height > size[0] or abs(width * size[0] / size[1] - height) > 1 + height / size[1]:
            reason = f"{file} has {width} x {height} pixels, the photo {size[1]} x {size[0]}: another shape."
            raise FolderError(LINES, reason, number)
        found[name] = path
    return found


def _mask_size(path: Path, file: str, number: int) -> tuple[int, int]:
    load_reader("PNG")
    try:
        with QUIET, Image.open(path, formats=["PNG"]) as picture:
            if picture.mode not in ("L", "1"):
                raise FolderError(LINES, f"{file} has {picture.mode} pixels, not 8 bits of grey.", number)
            return picture.size
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise FolderError(LINES, f"{file} is no PNG.", number) from None


def _read_by_hand(folder: Path, limits: Limits) -> LabelledSet:
    data = _bytes(folder, TABLE, MOST_TABLE)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FolderError(TABLE, f"is not UTF-8 (byte {error.start}); save it as CSV UTF-8.") from None
    items: dict[str, tuple[int, Labelled]] = {}
    for line, row, truth in rows_by_hand(text.replace("\r\n", "\n"), limits):
        file = row["file"] if row["file"].startswith(f"{PHOTOS}/") else f"{PHOTOS}/{row['file']}"
        photo = _inside(folder, file, TABLE, line)
        _upright_size(photo, TABLE, line)
        sha256 = _hash(photo)
        if sha256 in items:
            raise FolderError(TABLE, f"{row['file']} is the same photo as in line {items[sha256][0]}.", line)
        machine, capture = row.get("machine", ""), row.get("capture", "")
        group = group_of(machine, capture or sha256)
        drawn = yes(row.get("at_random", ""), "at_random", line)
        items[sha256] = line, Labelled(sha256, photo, machine, group, split_of(group), drawn, truth)
    return LabelledSet(folder, folder.resolve().name, "", "", {}, tuple(item for _, item in items.values()))


def _inside(folder: Path, name: str, file: str = "", line: int | None = None) -> Path:
    """A file of the folder by its name with forward slashes.

    Raises:
        FolderError: it leads out of the folder, over a link, or isn't there.
    """
    where = file or name
    parts = PurePosixPath(name).parts
    if not parts or name.startswith("/") or "\\" in name or "\0" in name or {"..", ".", ""} & set(name.split("/")):
        raise FolderError(where, f"{name!r:.80} leads out of the folder.", line)
    path = folder
    for part in parts:
        path = path / part
        if path.is_symlink():
            raise FolderError(where, f"{name!r:.80} is a link; links are not followed.", line)
    try:
        there = path.is_file()
    except OSError:
        there = False
    if not there:
        raise FolderError(where, f"{name!r:.80} is missing.", line)
    return path


def _bytes(folder: Path, name: str, most: int) -> bytes:
    path = _inside(folder, name)
    if path.stat().st_size > most:
        raise FolderError(name, f"has more than {most} bytes.")
    return path.read_bytes()


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _json(file: str, data: bytes, line: int | None) -> dict[str, Any]:
    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no number")

    try:
        found = json.loads(data, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise FolderError(file, f"is no JSON: {error}.", line) from None
    if not isinstance(found, dict):
        raise FolderError(file, "is no JSON object.", line)
    return found


def _upright_size(photo: Path, file: str, line: int) -> tuple[int, int]:
    """Height and width of a photo by its header, upright."""
    most = ReadLimits()
    if photo.stat().st_size > most.max_bytes:
        raise FolderError(file, f"{photo.name} has more than {most.max_bytes} bytes.", line)
    data = photo.read_bytes()
    form = form_of(data)
    try:
        if form is None or is_overfull(data):
            raise PhotoError("no form that is read")
        load_reader(form)
        with QUIET, Image.open(io.BytesIO(data)) as picture:
            width, height = picture.size
            if width * height > most.max_pixels:
                raise FolderError(file, f"{photo.name} has more than {most.max_pixels} pixels.", line)
            turned = picture.getexif().get(0x0112, 1) in (5, 6, 7, 8)
    except (OSError, ValueError, SyntaxError, PhotoError, Image.DecompressionBombError):
        raise FolderError(file, f"{photo.name} is no photo that can be read.", line) from None
    return (width, height) if turned else (height, width)


__all__ = ["MaskFiles", "read_folder"]
