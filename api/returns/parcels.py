"""What a bulk intake reads: a folder or a zip archive with a table of claims (CSV) and the photos that it names."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Protocol

from wearvision.errors import InputError
from wearvision_api.zips import bounded, opened, unpacked

TABLE = "returns.csv"
MOST_ROWS = 2_000
MOST_TABLE_BYTES = 8 * 2**20
MOST_PHOTOS = 40
"""Photos of one claim."""
PHOTOS = "photos"
"""Column of the photos: ``view=file`` pairs with semicolons between."""


class Parcel(Protocol):
    """Files by name, read one at a time."""

    def read(self, name: str, most: int) -> bytes:
        """At most ``most`` bytes of a file. Raises InputError where there is none, or it is larger."""
        ...


@dataclass(frozen=True, slots=True)
class Row:
    """One claim of the table.

    Attributes:
        line: Its line in the table, the first claim stands in 2.
        said: Column to text; empty cells are left out.
        photos: View and file name, in order.
    """

    line: int
    said: Mapping[str, str]
    photos: tuple[tuple[str, str], ...]


class Folder:
    """A folder; nothing outside it is read.

    Args:
        path: The folder.
    """

    def __init__(self, path: Path) -> None:
        self._root = path.resolve()

    def read(self, name: str, most: int) -> bytes:
        """A file's bytes. Raises InputError."""
        if "\0" in name:  # no system takes it
            raise InputError(f"There is no file {name!r} in the folder.")
        path = (self._root / name).resolve()
        if not path.is_relative_to(self._root) or not path.is_file():
            raise InputError(f"There is no file {name!r} in the folder.")
        with path.open("rb") as file:
            return bounded(file, name, most)


class Archive:
    """A zip archive, read in memory: no name in it becomes a path on disk.

    Args:
        file: The archive, open for reading.

    Raises:
        InputError: it is no zip archive.
    """

    def __init__(self, file: IO[bytes]) -> None:
        self._zip = opened(file)
        # A folder that was zipped whole stands as a first step before every name.
        table = next((one for one in self._zip.namelist() if PurePosixPath(one).name == TABLE), TABLE)
        self._prefix = table.removesuffix(TABLE)

    def read(self, name: str, most: int) -> bytes:
        """A file's bytes, never more than ``most`` whatever the archive says of itself. Raises InputError."""
        try:
            info = self._zip.getinfo(self._prefix + name)
        except KeyError as error:
            raise InputError(f"There is no file {name!r} in the archive.") from error
        return unpacked(self._zip, info, most)


def rows_of(parcel: Parcel) -> Iterator[Row]:
    """The claims of a parcel's table.

    Raises:
        InputError: the table is missing, no UTF-8, has no column ``part``, or has too many rows.
    """
    try:
        text = parcel.read(TABLE, MOST_TABLE_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{TABLE} is not UTF-8; save it as 'CSV UTF-8'.") from error
    first = text.split("\n", 1)[0]
    delimiter = ";" if first.count(";") > first.count(",") else ","
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        if "part" not in (reader.fieldnames or ()):
            raise InputError(f"{TABLE} needs a first line with names of columns, 'part' among them.")
        for count, cells in enumerate(reader, 1):
            if count > MOST_ROWS:
                raise InputError(f"{TABLE} has more than {MOST_ROWS} rows; split it.")
            if None in cells:
                raise InputError(f"{TABLE} line {reader.line_num}: more cells than columns.")
            said = {name.strip(): value.strip() for name, value in cells.items() if value and value.strip()}
            yield Row(reader.line_num, said, _photos(said.pop(PHOTOS, ""), reader.line_num))
    except csv.Error as error:
        raise InputError(f"{TABLE} line {reader.line_num}: {error}.") from error


def _photos(cell: str, line: int) -> tuple[tuple[str, str], ...]:
    pairs = []
    for item in filter(None, (one.strip() for one in cell.split(";"))):
        view, equals, name = item.partition("=")
        if not equals or not view.strip() or not name.strip():
            raise InputError(f"{TABLE} line {line}: photos are written view=file; view=file, not {item!r}.")
        pairs.append((view.strip(), name.strip()))
    if len(pairs) > MOST_PHOTOS:
        raise InputError(f"{TABLE} line {line}: more than {MOST_PHOTOS} photos.")
    return tuple(pairs)
