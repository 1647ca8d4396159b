"""A stop in two steps: say that no more is wanted, go on answering until the proxy has heard it, then end.

Without it a proxy sends requests to a process that has just closed its door, and those that it had sent are lost.
"""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from fastapi import FastAPI


@contextmanager
def drained(app: FastAPI, seconds: float) -> Iterator[None]:
    """Has SIGTERM wait while ``app.state.draining`` is true; a second one, or SIGINT, ends at once.

    Args:
        app: Whose ``/readyz`` answers 503 from the signal on.
        seconds: How long; 0: nothing changes.
    """
    app.state.draining = False
    if not seconds or threading.current_thread() is not threading.main_thread():
        yield  # only the main thread hears signals
        return
    ends = signal.getsignal(signal.SIGTERM)
    loop = asyncio.get_running_loop()

    def end(number: int, frame: FrameType | None) -> None:
        if callable(ends):
            ends(number, frame)

    def begin(number: int, frame: FrameType | None) -> None:
        if app.state.draining:
            end(number, frame)
            return
        app.state.draining = True
        loop.call_soon_threadsafe(loop.call_later, seconds, end, number, None)

    signal.signal(signal.SIGTERM, begin)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, ends)
