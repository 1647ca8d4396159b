"""Object stores behind fsspec: how long one may take, how often it is asked again, how many ask at the same time.

A folder needs none of this: the operating system answers for it.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import fsspec
from fsspec import AbstractFileSystem
from fsspec.asyn import AsyncFileSystem, sync

from wearvision.errors import SetupError

CONNECT_S = 2.0
READ_S = 8.0
"""Silence of the store after which a try has failed."""
TRIES = 2
"""A request that failed is sent again this often less one; then whoever asked for it hears of it."""
AT_ONCE = 24
"""Requests in flight of one process: fewer than its threads, so that a store that hangs leaves some for the rest."""
LIMIT_S = 20.0
"""For one request with all its tries; a client may wait without end for the word that it may send its body."""
SLOWEST_MB_S = 4.0
"""Megabytes a second that a store must at least take: a larger photo has so much more time."""
TURN_S = 1.0
"""How long a request waits for one of these places."""
INSTALL = "pip install 'wearvision[s3]'"
S3 = frozenset({"s3", "s3a"})


class StoreAwayError(OSError):
    """The store does not answer, answers with an error, or is asked by too many: nothing was kept. Try again."""


def open_system(url: str) -> tuple[AbstractFileSystem, str]:
    """The file system of an fsspec address, and the path in it.

    Endpoint and credentials of an S3-style store come from its usual environment and files (``AWS_ENDPOINT_URL_S3``,
    ``AWS_SHARED_CREDENTIALS_FILE``, …); neither stands in the address.

    Raises:
        wearvision.errors.SetupError: what this kind of store needs is not installed.
    """
    options: dict[str, Any] = {}
    if fsspec.utils.get_protocol(url) in S3:
        options = {
            "skip_instance_cache": True,
            "use_listings_cache": False,  # other processes write, too
            "max_concurrency": 1,  # otherwise each read would first ask for the size
            "config_kwargs": {
                "connect_timeout": CONNECT_S,
                "read_timeout": READ_S,
                "retries": {"mode": "standard", "total_max_attempts": TRIES},
                "max_pool_connections": AT_ONCE,
            },
        }
    try:
        system, root = fsspec.core.url_to_fs(url, **options)
    except ImportError as error:
        raise SetupError(f"The photo store {url!r} needs more to be installed ({error}); for S3: {INSTALL}") from error
    if options:
        system.retries = 1  # the client below it tries again already
    return system, str(root).rstrip("/")


def ask(system: AbstractFileSystem, what: str, path: str, data: bytes | None = None) -> Any:
    """Asks a store for one thing, and gives up in time.

    Args:
        system: Of ``open_system``.
        what: Name of the file system's method, such as ``cat_file``.
        path: Of the object.
        data: To be written, if any.
    """
    given = (path,) if data is None else (path, data)
    if not isinstance(system, AsyncFileSystem):
        return getattr(system, what)(*given)
    limit = LIMIT_S + len(data or b"") / (SLOWEST_MB_S * 1e6)
    return sync(system.loop, getattr(system, f"_{what}"), *given, timeout=limit)


class Turns:
    """Lets a few ask a store at the same time, and tells what went wrong in one form.

    Args:
        most: Requests in flight, >= 1.
        wait_s: For one of these places.
    """

    def __init__(self, most: int = AT_ONCE, wait_s: float = TURN_S) -> None:
        self._places = threading.BoundedSemaphore(most)
        self._wait_s = wait_s

    @contextmanager
    def one(self) -> Iterator[None]:
        """A place for one request.

        Raises:
            StoreAwayError: no place came free in time, or the store failed.
            FileNotFoundError: the store answers that there is no such object.
        """
        if not self._places.acquire(timeout=self._wait_s):
            raise StoreAwayError("the photo store is slow: too many wait for it")
        try:
            yield
        except FileNotFoundError:
            raise
        except Exception as error:  # each kind of store brings errors of its own
            raise StoreAwayError(f"the photo store failed: {type(error).__name__}: {error}") from error
        finally:
            self._places.release()
