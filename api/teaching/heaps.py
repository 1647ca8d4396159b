"""A heap of photos to take in: a folder or a zip archive, with folders in it that say what belongs together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Protocol

from wearvision.errors import InputError
from wearvision_api.zips import bounded, is_link, opened, unpacked

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".gif", ".bmp")
MOST_FILES = 20_000
"""Photos of one heap."""
_FOREIGN = ("__MACOSX",)


@dataclass(frozen=True, slots=True)
class File:
    """A photo of a heap.

    Attributes:
        name: Steps with strokes between, from the heap's top.
        folder: The folder that it lies in, in the same form; empty at the top.
    """

    name: str
    folder: str


class Heap(Protocol):
    """Photos by name, read one at a time."""

    title: str
    """Its own name."""

    def files(self) -> Iterator[File]:
        """The photos, in order of their names. Raises InputError where there are too many."""
        ...

    def read(self, name: str, most: int) -> bytes:
        """At most ``most`` bytes of a photo. Raises InputError where there is none, or it is larger."""
        ...


class Folder:
    """A folder and those in it; links are passed over, so nothing outside it is read.

    Args:
        path: The folder.
    """

    def __init__(self, path: Path) -> None:
        self._root = path.resolve()
        self.title = self._root.name

    def files(self) -> Iterator[File]:
        """The photos. Raises InputError."""
        found = []
        for path in self._root.rglob("*"):
            steps = path.relative_to(self._root).parts
            inside = not any(self._root.joinpath(*steps[: place + 1]).is_symlink() for place in range(len(steps)))
            if inside and path.is_file() and _is_photo(steps):
                found.append(steps)
        yield from _listed(found)

    def read(self, name: str, most: int) -> bytes:
        """A file's bytes. Raises InputError."""
        path = self._root / name
        if "\0" in name or not path.resolve().is_relative_to(self._root) or not path.is_file():
            raise InputError(f"There is no file {name!r} in the folder.")
        with path.open("rb") as file:
            return bounded(file, name, most)


class Archive:
    """A zip archive, read in memory: no name in it becomes a path on disk.

    Args:
        file: The archive, open for reading.
        title: Its name.

    Raises:
        InputError: it is no zip archive.
    """

    def __init__(self, file: IO[bytes], title: str = "archive") -> None:
        self._zip = opened(file)
        self.title = PurePosixPath(title).stem or "archive"

    def files(self) -> Iterator[File]:
        """The photos. Raises InputError."""
        found = []
        for info in self._zip.infolist():
            steps = PurePosixPath(info.filename).parts
            if ".." in steps or info.filename.startswith("/") or "\\" in info.filename:
                raise InputError(f"The archive names {info.filename!r:.100}, which lies outside of it.")
            if not info.is_dir() and not is_link(info) and _is_photo(steps):
                found.append(steps)
        yield from _listed(found)

    def read(self, name: str, most: int) -> bytes:
        """A file's bytes, never more than ``most`` whatever the archive says of itself. Raises InputError."""
        try:
            info = self._zip.getinfo(name)
        except KeyError as error:
            raise InputError(f"There is no file {name!r} in the archive.") from error
        return unpacked(self._zip, info, most)


def _is_photo(steps: tuple[str, ...]) -> bool:
    hidden = any(step.startswith(".") or step in _FOREIGN for step in steps)
    return not hidden and PurePosixPath(steps[-1]).suffix.lower() in SUFFIXES


def _listed(found: list[tuple[str, ...]]) -> Iterator[File]:
    if len(found) > MOST_FILES:
        raise InputError(f"There are more than {MOST_FILES} photos; take them in by parts.")
    for steps in sorted(found):
        yield File("/".join(steps), "/".join(steps[:-1]))


__all__ = ["Archive", "File", "Folder", "Heap", "bounded", "is_link", "opened", "unpacked"]
