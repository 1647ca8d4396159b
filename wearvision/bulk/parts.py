"""A folder of part files, each written once and whole, wherever fsspec can write."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from fsspec.core import url_to_fs

from wearvision.bulk.entries import Entry, is_remote
from wearvision.bulk.results import source_of
from wearvision.errors import ResultsError

WHOLE_AT_ONCE = frozenset({"s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "adl", "memory"})
"""Stores in which a file appears with its last byte; elsewhere it is written under another name and moved."""
READERS = 16
"""Part files read at a time to learn what is done."""


@dataclass(frozen=True, slots=True)
class Parts:
    """A folder of results.

    Attributes:
        address: Path or fsspec address of the folder.
        form: ``"parquet"``, or ``"jsonl"`` for JSON lines.
    """

    address: str
    form: Literal["parquet", "jsonl"] = "parquet"

    @classmethod
    def at(cls, address: str, *, make: bool = False) -> Parts:
        """The folder; its name ends in ``.jsonl`` for JSON lines. A path is made absolute, for workers elsewhere.

        Args:
            address: Path or fsspec address.
            make: Makes it where there is none.

        Raises:
            ResultsError: it cannot be made, or is no folder.
        """
        form: Literal["parquet", "jsonl"] = "jsonl" if address.rstrip("/").endswith(".jsonl") else "parquet"
        parts = cls(address if is_remote(address) else str(Path(address).absolute()), form)
        files, path = parts.opened()
        try:
            if make:
                files.makedirs(path, exist_ok=True)
            elif not files.isdir(path):
                raise NotADirectoryError("there is no such folder of part files")
        except Exception as error:  # every store has its own errors
            raise ResultsError(f"The folder {address} cannot be used: {error}.") from error
        return parts

    def opened(self) -> tuple[Any, str]:
        """The file system and the folder's path on it."""
        files, path = url_to_fs(self.address, use_listings_cache=False)
        return files, str(path).rstrip("/")

    def names(self) -> dict[str, str]:
        """The part files that are there, by the id of their batch."""
        files, path = self.opened()
        files.invalidate_cache()
        names = (str(name).rpartition("/")[2] for name in files.ls(path, detail=False))
        return {
            name.rpartition(".")[0].rpartition("-")[2]: name
            for name in names
            if name.startswith("part-") and name.endswith(f".{self.form}")
        }

    def commit(self, name: str, lines: list[bytes]) -> None:
        """Writes a part file: it is there whole or not at all, and once however often it is written.

        Args:
            name: Without its ending.
            lines: Results as lines of JSON.

        Raises:
            ResultsError: it cannot be written, as on a full disk.
        """
        if self.form == "parquet":
            from wearvision.bulk.table import to_parquet

            data = to_parquet(lines)
        else:
            data = b"".join(lines)
        files, path = self.opened()
        last = f"{path}/{name}.{self.form}"
        try:
            if "file" in files.protocol:
                _write_local(Path(last), data)
            elif WHOLE_AT_ONCE & ({files.protocol} if isinstance(files.protocol, str) else set(files.protocol)):
                files.pipe_file(last, data)
            else:
                first = f"{path}/.{uuid.uuid4().hex}"
                files.pipe_file(first, data)
                files.mv(first, last)
        except Exception as error:  # every store has its own errors
            raise ResultsError(
                f"{last} cannot be written: {error}. The part files before are whole; make room and run again."
            ) from error

    def sources(self, terms: str) -> Iterator[Entry]:
        """The photos of all part files.

        Args:
            terms: Under which they must have been graded.

        Raises:
            ResultsError: a file cannot be read, or holds results of other terms.
        """
        with ThreadPoolExecutor(READERS) as pool:
            for name, found in pool.map(lambda name: (name, self._sources(name)), self.names().values()):
                for entry, own in found:
                    yield source_of({"source": {**entry.to_dict(), "terms": own}}, terms, f"{self.address}/{name}")

    def lines(self, name: str) -> Iterator[bytes]:
        """The results in a part file as lines of JSON. ResultsError if it cannot be read."""
        files, path = self.opened()
        if self.form == "parquet":
            from wearvision.bulk.table import parquet_lines

            yield from parquet_lines(f"{path}/{name}", files)
        else:
            with files.open(f"{path}/{name}", "rb") as file:
                yield from file

    def _sources(self, name: str) -> list[tuple[Entry, str]]:
        if self.form == "parquet":
            from wearvision.bulk.table import sources

            files, path = self.opened()
            return sources(f"{path}/{name}", files)
        import json

        found = (json.loads(line).get("source", {}) for line in self.lines(name))
        return [(Entry(one.get("address", ""), one.get("size"), one.get("version", "")), one["terms"]) for one in found]


def _write_local(last: Path, data: bytes) -> None:
    first = last.with_name(f".{uuid.uuid4().hex}")
    try:
        with first.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        first.replace(last)
    except BaseException:
        first.unlink(missing_ok=True)
        raise
