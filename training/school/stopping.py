"""Hears that the process is told to end, so that what is at hand is finished and saved first."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def asked_to_stop() -> Iterator[threading.Event]:
    """An event that is set once the process is told to terminate or is interrupted; outside the main thread, never."""
    asked = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield asked  # only the main thread may take signals
        return
    before = {kind: signal.signal(kind, lambda *_: asked.set()) for kind in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield asked
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
