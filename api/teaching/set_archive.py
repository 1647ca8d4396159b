"""Unpacks a zip archive of a labelled folder into a folder of its own, and nothing else than such a folder."""

from __future__ import annotations

import os
import re
import zipfile
from pathlib import Path, PurePosixPath
from typing import IO

from wearvision.errors import InputError
from wearvision.labels.folder import LINES, MASKS, PHOTOS, SET, TABLE
from wearvision_api.teaching.set_export import LEFT_OUT
from wearvision_api.zips import chunks_of, is_link, opened

MOST_MEMBERS = 400_000
MOST_TIMES, SPARE_BYTES = 100, 64 * 2**20
"""What may come out of an archive: so many times its own size, and a little more. Photos and masks are packed already;
the lines are text, which shrinks to a tenth or twentieth."""
MOST_TEXT_BYTES = 2**30
_STEP = re.compile(r"[^\x00-\x1f/\\:]{1,200}")


def unpack(file: IO[bytes], folder: Path, most_photo_bytes: int) -> Path:
    """Unpacks an archive.

    Args:
        file: The archive, open for reading.
        folder: An empty folder.
        most_photo_bytes: Of one photo or mask.

    Returns:
        The labelled folder: ``folder``, or the one folder in it that was zipped whole.

    Raises:
        InputError: it is no archive of a labelled folder, names what lies outside, holds links, or unpacks to far more
            than it is.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    archive = opened(file)
    members = [info for info in archive.infolist() if not info.is_dir()]
    if len(members) > MOST_MEMBERS:
        raise InputError(f"The archive has more than {MOST_MEMBERS} files.")
    left = MOST_TIMES * size + SPARE_BYTES
    top = _top(members)
    seen: set[str] = set()
    for info in members:
        steps = _steps(info)[len(top.parts) :]
        if any(step.startswith(".") or step == "__MACOSX" for step in _steps(info)):
            continue  # what some systems add by themselves
        name = "/".join(steps).casefold()
        if name in seen:
            raise InputError(f"The archive holds {info.filename!r:.100} twice.")
        seen.add(name)
        most = min(left, most_photo_bytes if len(steps) > 1 else MOST_TEXT_BYTES)
        left -= _write(archive, info, folder.joinpath(*steps), most)
    return folder


def _top(members: list[zipfile.ZipInfo]) -> PurePosixPath:
    """The folder that stands as a first step before every name; empty where there is none."""
    known = {SET, TABLE, LINES}
    for info in members:
        path = PurePosixPath(info.filename)
        if path.name in known and len(path.parts) <= 2:
            return path.parent
    raise InputError(f"There is no {SET} and no {TABLE} in the archive.")


def _steps(info: zipfile.ZipInfo) -> tuple[str, ...]:
    steps = PurePosixPath(info.filename).parts
    if ".." in steps or not steps or not all(_STEP.fullmatch(step) for step in steps):
        raise InputError(f"The archive names {info.filename!r:.100}, which lies outside of it or is no name.")
    if is_link(info):
        raise InputError(f"{info.filename!r:.100} is a link; put the file itself into the archive.")
    return steps


def _write(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path, most: int) -> int:
    """Writes one member; gives its size."""
    _demand_place(info, path)
    path.parent.mkdir(parents=True, exist_ok=True)
    size = 0
    with path.open("xb") as target:
        for chunk in chunks_of(archive, info):
            size += len(chunk)
            if size > most:
                raise InputError(f"{info.filename!r:.100} unpacks to more than is taken ({most} bytes here).")
            target.write(chunk)
    return size


def _demand_place(info: zipfile.ZipInfo, path: Path) -> None:
    """Takes only files that a labelled folder has: none else is written to disk."""
    texts = {SET, LINES, TABLE, LEFT_OUT}
    where = path.parts
    if path.name in texts or PHOTOS in where[-2:-1] or (MASKS in where[-3:-2] and path.suffix == ".png"):
        return
    raise InputError(f"{info.filename!r:.100} belongs to no labelled folder.")


__all__ = ["unpack"]
