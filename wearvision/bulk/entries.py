"""Which photos there are, listed lazily and always in one order, however many."""

from __future__ import annotations

import heapq
import os
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import IO
from urllib.parse import unquote_to_bytes, urlsplit

from wearvision.errors import BulkError, PhotoError, ResultsError

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")
"""File names that count as photos in a folder."""
RUN = 50_000
"""Names of one folder that are sorted in memory; of more, sorted runs are merged from disk."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A photo that was listed.

    Attributes:
        address: Path or fsspec address, as results name it; a path that is no UTF-8 stands as a ``file:`` address.
        size: Bytes, or None where nobody said.
        version: Changes with the file: its time of change in nanoseconds, or a store's own mark; ``""`` if unknown.
    """

    address: str
    size: int | None = None
    version: str = ""

    @property
    def name(self) -> str:
        """Its last part, for people and reports."""
        inner = self.address.partition("::")[0]
        return shown(inner.rstrip("/").rpartition("/")[2] or inner)

    @property
    def key(self) -> str:
        """What it is known by when work goes on after a stop: a changed file is another photo."""
        return f"{self.address}\n{self.size}\n{self.version}"

    def to_dict(self) -> dict[str, str | int | None]:
        """As it stands in the field ``source`` of a result."""
        return {"address": self.address, "size": self.size, "version": self.version}


def entry_of(path: Path) -> Entry:
    """The entry of a local file; one that cannot be looked at is listed all the same, and fails when it is read."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return Entry(address_of(path))
    return Entry(address_of(path), status.st_size, str(status.st_mtime_ns))


def address_of(path: Path) -> str:
    """The path as text; as a ``file:`` address where its bytes are no UTF-8."""
    text = str(path)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return path.absolute().as_uri()
    return text


def path_of(address: str) -> Path:
    """The local path of an address that ``address_of`` made."""
    if address.startswith("file:"):
        return Path(os.fsdecode(unquote_to_bytes(urlsplit(address).path)))
    return Path(address)


def is_remote(address: str) -> bool:
    """True for what only fsspec can read."""
    return ("://" in address or "::" in address) and not address.startswith("file:///")


def shown(text: str) -> str:
    """Text that can be written as UTF-8: bytes that are none stand as escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def list_photos(given: Iterable[str], *, deep: bool = False) -> Iterator[Entry]:
    """Photos of files, folders and addresses, in the order given; a folder's photos in the order of their names.

    Args:
        given: Paths or fsspec addresses (``s3://…/``, ``zip://*.jpg::years.zip``); ``@FILE`` stands for the
            addresses in a text file, one a line, for ``@-`` standard input.
        deep: Also the photos in the folders of a folder; linked folders are not followed.

    Raises:
        BulkError: a remote address without the extra ``bulk``.
        ResultsError: a list or folder cannot be read.
    """
    for text in given:
        path = Path(text)
        if text.startswith("@") and not path.exists():
            yield from list_photos(_lines(text[1:]), deep=deep)
        elif is_remote(text) and not path.exists():
            yield from _remote(text, deep)
        elif (local := path_of(text)).is_dir():
            yield from _folder(local, deep)
        else:
            yield entry_of(local)


def demand_photos(given: Iterable[str], *, deep: bool = False) -> None:
    """Looks into each local folder before any work begins.

    Raises:
        ResultsError: there is no photo in one of them.
    """
    for text in given:
        folder = path_of(text)
        if folder.is_dir() and not any(name.lower().endswith(SUFFIXES) for name in _names(folder, deep)):
            raise ResultsError(f"There is no photo in {shown(text)}; looked for {', '.join(SUFFIXES)}.")


def _names(folder: Path, deep: bool) -> Iterator[str]:
    for _, _, names in os.walk(folder) if deep else [("", [], (one.name for one in folder.iterdir()))]:
        yield from names


def _remote(text: str, deep: bool) -> Iterator[Entry]:
    try:
        from wearvision.bulk.remote import list_remote
    except ImportError as error:
        raise BulkError(f"{text} needs pip install 'wearvision[bulk]' ({error.name} is missing).") from error
    return list_remote(text, deep=deep)


def _lines(name: str) -> Iterator[str]:
    try:
        with open(0 if name == "-" else name, encoding="utf-8", errors="surrogateescape", closefd=name != "-") as file:
            for line in file:
                if line.strip():
                    yield line.rstrip("\r\n")
    except OSError as error:
        raise ResultsError(f"The list {name} cannot be read: {error.strerror}.") from error


def _folder(folder: Path, deep: bool) -> Iterator[Entry]:
    try:
        with os.scandir(folder) as found:
            names = in_order(
                one.name
                for one in found
                if one.name.lower().endswith(SUFFIXES) or (deep and one.is_dir(follow_symlinks=False))
            )
            for name in names:
                path = folder / name
                if deep and path.is_dir() and not path.is_symlink():
                    yield from _folder(path, deep)
                else:
                    yield entry_of(path)
    except OSError as error:
        raise ResultsError(f"The folder {shown(str(folder))} cannot be read: {error.strerror}.") from error


def in_order(names: Iterable[str], run: int = RUN) -> Iterator[str]:
    """The names sorted, with at most ``run`` of them in memory at a time: more go to a temporary file in runs."""
    rest = iter(names)
    first = sorted(islice(rest, run))
    if len(first) < run:
        yield from first
        return
    import tempfile  # slow to load, and seldom needed

    with ExitStack() as held:
        runs = [iter(first)]
        while chunk := sorted(islice(rest, run)):
            # A name may hold a line break, never a NUL.
            file = held.enter_context(
                tempfile.TemporaryFile("w+", encoding="utf-8", errors="surrogateescape", newline="")
            )
            file.writelines(f"{name}\0" for name in chunk)
            file.seek(0)
            runs.append(_between_nuls(file))
        yield from heapq.merge(*runs)


def _between_nuls(file: IO[str]) -> Iterator[str]:
    rest = ""
    while block := file.read(1 << 16):
        *whole, rest = (rest + block).split("\0")
        yield from whole


def read_entry(entry: Entry) -> bytes | Path:
    """What ``read_photo`` takes for it: a local path, or the bytes of a remote file.

    Raises:
        PhotoError: a remote file cannot be read, or is larger than ``read_photo`` accepts.
    """
    if not is_remote(entry.address):
        return path_of(entry.address)
    from wearvision.bulk.remote import read_remote
    from wearvision.photo import ReadLimits

    try:
        return read_remote(entry, ReadLimits().max_bytes)
    except PhotoError:
        raise
    except Exception as error:  # every store has its own errors
        raise PhotoError(f"{entry.name} could not be read: {error}.") from error
