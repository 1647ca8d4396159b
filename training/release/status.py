"""What has been done of a release, kept beside it, so that the same command goes on after any stop."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ERROR_LINES = 12
"""Last lines of a log that are shown for a stage that failed."""


def now() -> str:
    """Date and time, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


@dataclass(slots=True)
class Entry:
    """What is known of a stage.

    Attributes:
        result: ``"running"``, ``"done"``, ``"short"`` (something, but less than wished for), ``"stopped"`` (goes on
            next time), ``"failed"``, ``"not possible"`` (what it needs is not there) or ``"not needed"``; empty before
            its first start.
        seconds: Spent on it, over all starts.
        start: Of the first start. end: of the last one.
        starts: How many.
    """

    result: str = ""
    command: list[str] = field(default_factory=list)
    start: str = ""
    end: str = ""
    starts: int = 0
    seconds: float = 0.0
    pictures: int | None = None
    note: str = ""


class Status:
    """The file ``status.json`` of a release.

    Args:
        file: Read if it is there.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        told: dict[str, Any] = json.loads(file.read_text("utf-8"))["stages"] if file.is_file() else {}
        self.entries = {name: Entry(**entry) for name, entry in told.items()}

    def __getitem__(self, name: str) -> Entry:
        return self.entries.setdefault(name, Entry())

    def write(self) -> None:
        """Writes the file; a stop while it is written leaves the one before."""
        rounded = {name: asdict(entry) | {"seconds": round(entry.seconds, 1)} for name, entry in self.entries.items()}
        draft = self.file.with_name(self.file.name + ".part")
        draft.write_text(json.dumps({"stages": rounded}, indent=1), "utf-8")
        draft.replace(self.file)


def last_lines(log: Path) -> str:
    """The last lines of a log, of bars only what they showed last."""
    lines = [line.rsplit("\r", 1)[-1].rstrip() for line in log.read_text("utf-8", "replace").split("\n")]
    return "\n".join([line for line in lines if line][-ERROR_LINES:])
