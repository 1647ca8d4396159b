"""Entries as JSON lines and back, so that a part of the record can be kept, and checked, away from its database."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from wearvision.errors import SetupError
from wearvision_api.record.chain import Line

_DIGEST = re.compile(r"[0-9a-f]{64}")


def dump(lines: Iterable[Line]) -> Iterator[str]:
    """A line of JSON for each entry: its columns by name, what was hashed as text."""
    for line in lines:
        said = {name: getattr(line, name) for name in Line.__slots__}
        yield json.dumps(said, ensure_ascii=True, separators=(",", ":")) + "\n"


def load(path: Path) -> Iterator[Line]:
    """The entries of a file, one at a time.

    Raises:
        wearvision.errors.SetupError: a line is no exported entry.
    """
    with path.open("rb") as file:
        for number, text in enumerate(file, 1):
            try:
                said = json.loads(text)
                line = Line(**said)
            except (ValueError, TypeError, RecursionError) as error:
                raise SetupError(f"{path}, line {number}: no entry of a record.") from error
            if not all(isinstance(getattr(line, name), str) for name in Line.__slots__):
                raise SetupError(f"{path}, line {number}: no entry of a record.")
            yield line


def before_first(path: Path) -> tuple[int, str]:
    """Place and digest before a file's first entry, as that entry says; what they are worth only the whole chain or a
    head kept elsewhere can tell.

    Raises:
        wearvision.errors.SetupError: it holds no entry.
    """
    first = next(load(path), None)
    if first is None or not first.place.isdecimal() or not _DIGEST.fullmatch(first.previous):
        raise SetupError(f"{path} holds no entry of a record.")
    return int(first.place) - 1, first.previous
