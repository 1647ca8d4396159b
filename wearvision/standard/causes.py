"""Why a part wears as it does: what to look at, so that the new part does not fail too."""

from __future__ import annotations

import tomllib
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from wearvision.errors import LimitsError
from wearvision.parts import part_spec


@dataclass(frozen=True, slots=True)
class Cause:
    """One likely cause.

    Attributes:
        title: What happened, one line.
        parts: Part key to the modes of that part that point to it.
        look_at: What to look at, one thing a line.
        source: Where this comes from.
    """

    title: str
    parts: dict[str, tuple[str, ...]]
    look_at: tuple[str, ...]
    source: str

    def to_dict(self) -> dict[str, Any]:
        """The cause as it stands in a report."""
        return {"title": self.title, "look_at": list(self.look_at), "source": self.source}


@cache
def load_causes() -> tuple[Cause, ...]:
    """All causes, in the order of the file.

    Raises:
        LimitsError: a row names a part's mode that does not exist.
    """
    name = "causes.toml"
    table = tomllib.loads(files("wearvision.standard").joinpath(name).read_text("utf-8"))
    return tuple(_cause(name, row) for row in table["cause"])


def causes_for(part: str, modes: Collection[str]) -> tuple[Cause, ...]:
    """The causes that these modes of a part point to, in the order of the file."""
    part_spec(part)
    return tuple(cause for cause in load_causes() if set(cause.parts.get(part, ())) & set(modes))


def _cause(name: str, row: dict[str, Any]) -> Cause:
    for part, modes in row["parts"].items():
        unknown = set(modes) - {mode.key for mode in part_spec(part).modes}
        if unknown:
            raise LimitsError(f"{name}: row {row['title']!r}: {part} has no mode {', '.join(sorted(unknown))}.")
    parts = {part: tuple(modes) for part, modes in row["parts"].items()}
    return Cause(row["title"], parts, tuple(row["look_at"]), row["source"])
