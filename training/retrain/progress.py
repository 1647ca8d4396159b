"""What a training says of itself, line by line, and how it hears that it is to stop."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

STAGES = ("reading", "drawing", "features", "heads", "more", "export", "calibrate", "compare")
FAILED = "failed"
STOP = "stop"
"""Name of the file in the folder of a training that asks it to stop."""
APART = 0.5
"""Seconds between two lines of one stage, but for its first and its last."""


class Stopped(Exception):
    """Someone asked the training to stop; what it had done is on disk."""


class Failed(Exception):
    """The training cannot go on; the message says why in one sentence, for a person."""


@dataclass(slots=True)
class Progress:
    """Writes ``progress.jsonl`` and watches for a stop.

    Attributes:
        folder: Of the training.
        asked: Set when the process was told to end.
        echo: Told of each line too; None for nobody.
        seconds: Stage to seconds spent in it by this start.
    """

    folder: Path
    asked: threading.Event = field(default_factory=threading.Event)
    echo: Callable[[str], None] | None = None
    seconds: dict[str, float] = field(default_factory=dict)
    _stage: str = ""
    _begun: float = 0.0
    _written: float = 0.0

    def step(self, stage: str, done: int, of: int, say: str = "") -> None:
        """Notes how far a stage is, and stops here if that was asked for.

        Raises:
            Stopped: a stop was asked for.
        """
        now = time.monotonic()
        if stage != self._stage:
            self.end_stage()
            self._stage, self._begun, self._written = stage, now, 0.0
        if done >= of or now - self._written > APART:
            self._write(stage, done, of, say)
            self._written = now
        self.check()

    def check(self) -> None:
        """Stops here if that was asked for.

        Raises:
            Stopped: it was.
        """
        if self.asked.is_set() or (self.folder / STOP).exists():
            raise Stopped

    def end_stage(self) -> None:
        """Adds up the seconds of the stage at work."""
        if self._stage:
            spent = time.monotonic() - self._begun
            self.seconds[self._stage] = round(self.seconds.get(self._stage, 0.0) + spent, 2)
        self._stage = ""

    def stopped(self) -> None:
        """Writes that the training stopped, and takes the stop file away so that the same command goes on."""
        stage = self._stage or STAGES[0]
        self.end_stage()
        self._write(stage, 0, 0, "stopped; the same command goes on")
        with suppress(OSError):
            (self.folder / STOP).unlink(missing_ok=True)

    def failed(self, why: str) -> None:
        """Writes why the training failed; nothing more can be done where even that cannot be written."""
        self.end_stage()
        with suppress(OSError):
            self._write(FAILED, 0, 0, why)

    def _write(self, stage: str, done: int, of: int, say: str) -> None:
        at = datetime.now(UTC).isoformat(timespec="seconds")
        line = json.dumps({"at": at, "stage": stage, "done": done, "of": of, "say": say}, ensure_ascii=False)
        file = self.folder / "progress.jsonl"
        with file.open("a+b") as log:
            if log.tell():
                log.seek(-1, 2)
                torn = log.read(1) != b"\n"  # the process was killed while it wrote
                line = "\n" + line if torn else line
            log.write(line.encode() + b"\n")
            log.flush()
        if self.echo is not None:
            self.echo(f"{stage}: {done} of {of}  {say}".rstrip() if of else f"{stage}: {say}")
