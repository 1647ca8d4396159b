"""Several processes at one port: watched, started again when one dies, and renewed one by one (SIGHUP)."""

from __future__ import annotations

import os
import signal
import socket
import threading
from collections.abc import Callable
from functools import partial
from multiprocessing import parent_process

from fastapi import FastAPI
from uvicorn import Config
from uvicorn.supervisors import Multiprocess

from wearvision.errors import SetupError
from wearvision_api import logs
from wearvision_api.settings import Settings

HUNG_S = 30.0
"""A process that does not answer its parent for so long is killed and started anew; a start has as long."""


def serve_several(settings: Settings, door: socket.socket, ready: Callable[[], None]) -> None:
    """Serves until it is told to stop, then has every process finish what is in flight.

    The processes share nothing but the socket: what they must agree on is in the database and the photo store. Counts
    at ``/metrics`` are those of whichever process answers.

    Args:
        settings: Of the service; hands and places are divided among the processes.
        door: Listening.
        ready: Is called once a process answers.

    Raises:
        wearvision.errors.SetupError: the processes cannot start.
    """
    from wearvision_api.serve import config_of

    config = config_of(
        settings,
        partial(_make, settings.share),
        factory=True,
        workers=settings.processes,
        timeout_worker_healthcheck=HUNG_S,
    )
    family = _Family(config, [door], ready)
    family.run()
    if not family.has_answered:
        raise SetupError("No process could start; the log above says why.")


class _Family(Multiprocess):
    def __init__(self, config: Config, sockets: list[socket.socket], ready: Callable[[], None]) -> None:
        super().__init__(config, sockets)
        self._ready = ready
        self.has_answered = False

    def keep_subprocess_alive(self) -> None:
        """Starts anew what has died; says once that a process answers."""
        super().keep_subprocess_alive()
        if not self.has_answered and not self.should_exit.is_set() and self.processes[0].is_ready():
            self.has_answered = True
            self._ready()


def _make(settings: Settings) -> FastAPI:
    """The app of one process, in that process."""
    from wearvision_api.app import create_app

    logs.configure()
    threading.Thread(target=_leave_with_parent, name="parent", daemon=True).start()
    return create_app(settings)


def _leave_with_parent() -> None:
    """Stops this process once its parent was killed: it would hold the port against whoever comes in its place."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)
