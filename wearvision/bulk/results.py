"""A file of results, one JSON object a line: whole lines only, gone on with after a stop."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

from wearvision.bulk.entries import Entry
from wearvision.errors import ResultsError

BLOCK = 1 << 20
BEGINS = b'{"photo": '
"""How every line of results begins: nothing is cut off or added to a file that begins otherwise."""


class Done:
    """Which photos are done: a temporary table on disk, so that memory stays flat. Close it after use."""

    def __init__(self) -> None:
        # The empty name is SQLite's private temporary file, gone when it is closed.
        self._table = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        self._table.execute("PRAGMA journal_mode=OFF")
        self._table.execute("CREATE TABLE done (key BLOB PRIMARY KEY) WITHOUT ROWID")

    def add(self, entry: Entry) -> None:
        """Remembers a photo."""
        self._table.execute("INSERT OR IGNORE INTO done VALUES (?)", (_digest(entry),))

    def __contains__(self, entry: Entry) -> bool:
        return self._table.execute("SELECT 1 FROM done WHERE key = ?", (_digest(entry),)).fetchone() is not None

    def __len__(self) -> int:
        return int(self._table.execute("SELECT count(*) FROM done").fetchone()[0])

    def close(self) -> None:
        """Lets the table go."""
        self._table.close()


def _digest(entry: Entry) -> bytes:
    return hashlib.blake2b(entry.key.encode("utf-8", "surrogatepass"), digest_size=16).digest()


class ResultsFile:
    """A file that results are appended to, whole lines at a time, by one process at a time.

    A last line that was broken off is cut away when the file is opened.

    Args:
        path: The file; made where there is none.

    Raises:
        ResultsError: it cannot be opened, or another process writes to it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file: BinaryIO = path.open("r+b" if path.exists() else "x+b", buffering=0)
        except OSError as error:
            raise ResultsError(f"{path} cannot be opened for writing: {error.strerror}.") from error
        try:
            _lock(self._file, path)
            if (begins := self._file.read(len(BEGINS))) and begins != BEGINS[: len(begins)]:
                raise ResultsError(f"{path} is no file of results and is left as it is; give another --out.")
            self._end = _whole(self._file)
            self._file.truncate(self._end)
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> ResultsFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def records(self) -> Iterator[dict[str, Any]]:
        """Every result in the file.

        Raises:
            ResultsError: a line is no result.
        """
        yield from read_records(self.path)

    def append(self, lines: bytes) -> None:
        """Writes whole lines, all of them or none.

        Raises:
            ResultsError: the disk is full, or the file cannot be written; nothing of the lines stays then.
        """
        try:
            self._file.seek(self._end)
            rest = memoryview(lines)
            while rest:
                rest = rest[self._file.write(rest) or 0 :]
        except OSError as error:
            with contextlib.suppress(OSError):
                self._file.truncate(self._end)
            raise ResultsError(
                f"{self.path} cannot be written: {error.strerror}. All lines before are whole; make room and run the "
                "same command again, which goes on from here."
            ) from error
        self._end += len(lines)

    def sync(self) -> None:
        """Sees the lines onto the disk."""
        os.fsync(self._file.fileno())


def read_records(path: Path) -> Iterator[dict[str, Any]]:
    """The results in a file, one after the other.

    Raises:
        ResultsError: the file cannot be read, or a line is no JSON object.
    """
    for number, line in enumerate(read_lines(path), 1):
        try:
            record = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise ResultsError(f"{path}: line {number} is no JSON ({error}).") from error
        if not isinstance(record, dict):
            raise ResultsError(f"{path}: line {number} is no result of a photo.")
        yield record


def read_lines(path: Path) -> Iterator[bytes]:
    """The lines of a file, each with a line feed. ResultsError if it cannot be read."""
    try:
        with path.open("rb") as file:
            for line in file:
                yield line if line.endswith(b"\n") else line + b"\n"
    except OSError as error:
        raise ResultsError(f"{path} cannot be read: {error.strerror}.") from error


def source_of(record: Mapping[str, Any], terms: str, where: Path | str) -> Entry:
    """The photo of a result made under some terms.

    Raises:
        ResultsError: it does not say, or it was made under others.
    """
    source = demand_terms(record, terms, where)
    if "address" not in source:
        raise ResultsError(f"{where} holds results that do not say where their photo lies; give another --out.")
    return Entry(str(source["address"]), source.get("size"), str(source.get("version", "")))


def demand_terms(record: Mapping[str, Any], terms: str, where: Path | str) -> Mapping[str, Any]:
    """The source of a result. ResultsError where it has none, or was made under other terms."""
    source = record.get("source")
    if not isinstance(source, Mapping) or source.get("terms") != terms:
        made = source.get("terms") if isinstance(source, Mapping) else None
        raise ResultsError(
            f"{where} holds results of another model, other limits, another part or version (terms {made}, now "
            f"{terms}); give another --out, or use `wearvision regrade`."
        )
    return source


def _whole(file: BinaryIO) -> int:
    """Length of the file up to its last line feed."""
    end = file.seek(0, os.SEEK_END)
    while end > 0:
        start = max(0, end - BLOCK)
        file.seek(start)
        at = file.read(end - start).rfind(b"\n")
        if at >= 0:
            return start + at + 1
        end = start
    return 0


def _lock(file: BinaryIO, path: Path) -> None:
    """Holds the file for this process while it is open."""
    try:
        try:
            import fcntl
        except ImportError:  # Windows
            import msvcrt

            file.seek(1 << 40)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise ResultsError(f"Another process writes to {path}; wait for it, or give another --out.") from error
