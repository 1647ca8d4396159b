"""A training as a process of its own: begun, watched, stopped, and found again after the service was started anew.

The process and all that it begins hold a lock on a file in its folder. Whoever can take that lock knows that nothing of
it lives any more; a process id alone may meanwhile be somebody else's.
"""

from __future__ import annotations

import fcntl
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

PROGRAM: tuple[str, ...] = (sys.executable, "-m", "wearvision_training", "retrain")
NICE = 10
"""Grading comes first: a training takes what is left of the machine."""
INSTALL = "pip install 'wearvision[training]'"
STOPPED = 3
"""Exit status of a training that was asked to stop."""
_RUN = 'echo $$ >group; trap : TERM; out="$1"; shift; nice -n "$@"; echo $? >"$out.part"; mv "$out.part" "$out"'
"""Of a shell, which outlives the training by the moment it takes to write down what that ended with. It writes down the
number of its group, too: whoever began it may have been killed before it could."""
_LINE_BYTES = 65536


@dataclass(frozen=True, slots=True)
class Job:
    """The folder of one training: ``set``, ``out``, ``log.txt``, and what is known of its process."""

    folder: Path

    @property
    def data(self) -> Path:
        """The data set's folder."""
        return self.folder / "set"

    @property
    def out(self) -> Path:
        """Where the training writes."""
        return self.folder / "out"

    def begin(self, options: Sequence[str]) -> dict[str, Any]:
        """Starts the process, behind everything else that runs here; it goes on when this one ends.

        Args:
            options: Of the training's command, without its name.

        Returns:
            Where it runs: host, process id, folder.

        Raises:
            OSError: it could not be started, or another one still works in this folder.
        """
        self.out.mkdir(parents=True, exist_ok=True)
        for old in (self._exit, self._group, self.out / "stop"):
            old.unlink(missing_ok=True)
        lock = os.open(self._lock, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with (self.folder / "log.txt").open("ab") as log:
                process = subprocess.Popen(
                    ["/bin/sh", "-c", _RUN, "training", str(self._exit), str(NICE), *PROGRAM, *options],
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    cwd=self.folder,
                    start_new_session=True,  # a group of its own: a stop of the service does not reach it
                    pass_fds=(lock,),
                )
        finally:
            os.close(lock)
        threading.Thread(target=process.wait, name="training", daemon=True).start()  # so that no dead process stays
        return {"host": host(), "pid": process.pid, "folder": str(self.folder)}

    def is_alive(self) -> bool:
        """Whether anything of it still runs on this machine."""
        try:
            lock = os.open(self._lock, os.O_RDWR)
        except OSError:
            return False
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(lock)
        return False

    def exit_status(self) -> int | None:
        """What it ended with; None: it runs, or was ended from outside."""
        try:
            return int(self._exit.read_text("ascii"))
        except (OSError, ValueError):
            return None

    def newest(self) -> dict[str, Any]:
        """The last whole line that it wrote of its progress; empty where there is none."""
        try:
            with (self.out / "progress.jsonl").open("rb") as file:
                file.seek(max(0, file.seek(0, os.SEEK_END) - _LINE_BYTES))
                lines = file.read().split(b"\n")
        except OSError:
            return {}
        for line in reversed(lines[:-1]):  # what stands behind the last line break is not written to its end yet
            with suppress(ValueError):
                said = json.loads(line)
                if isinstance(said, dict):
                    return said
        return {}

    def why(self) -> str:
        """One sentence on why it failed: its own, or else the last line that it printed."""
        newest = self.newest()
        if newest.get("stage") == "failed" and newest.get("say"):
            return str(newest["say"])[:1000]
        try:
            lines = (self.folder / "log.txt").read_text("utf-8", "replace").split("\n")
        except OSError:
            lines = []
        last = next((line.strip() for line in reversed(lines) if line.strip()), "")
        return f"It ended with status {self.exit_status()}: {last[:500] or 'it said nothing'}"

    def ask_to_stop(self) -> None:
        """Leaves word that it stop at the next step; the command says which steps can be gone on from."""
        self.out.mkdir(parents=True, exist_ok=True)
        (self.out / "stop").touch()

    def end(self, pid: int, *, kill: bool) -> None:
        """Sends a signal to the whole group, if it still lives.

        Args:
            pid: As ``begin`` gave it; 0: nobody knows, but it wrote that down itself.
            kill: True: it gets no time to finish.
        """
        if not pid:
            with suppress(OSError, ValueError):
                pid = int(self._group.read_text("ascii"))
        if pid > 0 and self.is_alive():  # 0 would be the group of this very process
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(pid, signal.SIGKILL if kill else signal.SIGTERM)

    @property
    def _exit(self) -> Path:
        return self.folder / "exit"

    @property
    def _group(self) -> Path:
        return self.folder / "group"

    @property
    def _lock(self) -> Path:
        return self.folder / "running.lock"


def host() -> str:
    """Name of this machine."""
    return socket.gethostname()


def lacking() -> str:
    """What must be installed before a training can run here; empty: nothing."""
    if find_spec("torch") is not None and find_spec("wearvision_training") is not None:
        return ""
    return f"Training needs PyTorch, which is not installed here. Install it, then try again: {INSTALL}"
