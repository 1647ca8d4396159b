"""A service on loopback in a thread of this process, for browsers."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI


@contextmanager
def serving(app: FastAPI) -> Iterator[str]:
    """Serves until the end; gives the address."""
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive(), "the service did not start"
            time.sleep(0.02)
        yield f"http://localhost:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()
