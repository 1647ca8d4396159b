"""Keeps services running as ``Restart=always`` does, from a process that has imported everything once.

A start from here is a fork and then the very code of ``wearvision serve`` (or ``wearvision_training retrain``), so that
hundreds of kills cost seconds each less. Started as ``python warm.py service`` or ``python warm.py training``; it reads
one JSON order a line and tells of each process that it began. When its input ends it kills what it began.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import os
import select
import signal
import sys
import time
from pathlib import Path
from typing import Any

RESTART_S = 0.1
"""As long as systemd waits by default (``RestartSec``)."""
NEEDED = {
    "service": ("wearvision_api.serve", "wearvision_api.teaching.training_watch", "psycopg", "onnxruntime", "cv2"),
    "training": ("torch", "wearvision_training.__main__", "wearvision_training.retrain.run", "onnxruntime"),
}


class Kept:
    """One process that is to run."""

    def __init__(self, order: dict[str, Any]) -> None:
        self.order, self.pid, self.due = order, 0, 0.0

    def begin(self) -> None:
        """Forks it, and tells its number."""
        self.pid = os.fork()
        if not self.pid:
            try:
                _run(self.order)
            except SystemExit as end:
                os._exit(end.code if isinstance(end.code, int) else int(end.code is not None))
            except BaseException as error:
                print(f"{type(error).__name__}: {error}", file=sys.stderr, flush=True)
                os._exit(1)
            os._exit(0)
        _tell(name=self.order["name"], pid=self.pid, at=time.monotonic())


def _run(order: dict[str, Any]) -> None:
    signal.set_wakeup_fd(-1)
    os.setsid()
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG: nothing stays where this program is killed
    log = os.open(order["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for old, new in ((nothing, 0), (log, 1), (log, 2)):
        os.dup2(old, new)
    os.environ.update(order.get("environment", {}))
    for place, value in order.get("instead", {}).items():  # a stand-in for what takes hours
        module, _, name = place.rpartition(".")
        stand_in = Path(order["stand_ins"])
        found: dict[str, Any] = {"__name__": "stand_ins", "__file__": str(stand_in)}
        exec(compile(stand_in.read_text("utf-8"), str(stand_in), "exec"), found)
        setattr(importlib.import_module(module), name, found[value])
    if "arguments" in order:
        from wearvision_training.__main__ import main

        main(order["arguments"], standalone_mode=True)
        return
    from wearvision_api.serve import serve
    from wearvision_api.settings import Settings

    serve(Settings(**order["settings"]), lambda at: print("serves", at, flush=True))


def _tell(**what: Any) -> None:
    os.write(1, (json.dumps(what) + "\n").encode())


def main() -> None:
    """Takes orders until there are no more."""
    for name in NEEDED[sys.argv[1]]:
        importlib.import_module(name)
    kept: dict[str, Kept] = {}
    _tell(name="", pid=os.getpid(), at=time.monotonic())
    buffer = b""
    while True:
        if select.select([0], [], [], 0.01)[0]:
            more = os.read(0, 65536)
            if not more:
                break
            *lines, buffer = (buffer + more).split(b"\n")
            for line in lines:
                order = json.loads(line)
                if order["do"] == "let":
                    kept.pop(order["name"], None)
                else:
                    kept[order["name"]] = one = Kept(order)
                    one.begin()
        _reap(kept)
        for one in kept.values():
            if not one.pid and time.monotonic() >= one.due:
                one.begin()
    for one in kept.values():
        if one.pid:
            os.kill(one.pid, signal.SIGKILL)


def _reap(kept: dict[str, Kept]) -> None:
    """Notes who ended, and when to begin it again."""
    while True:
        try:
            pid, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if not pid:
            return
        for one in list(kept.values()):
            if one.pid == pid:
                one.pid, one.due = 0, time.monotonic() + RESTART_S
                _tell(name=one.order["name"], ended=pid, status=os.waitstatus_to_exitcode(status))
                if one.order["do"] == "once":
                    del kept[one.order["name"]]


if __name__ == "__main__":
    main()
