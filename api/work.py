"""Grading in a bounded number of threads: what does not fit is told to come back, never left to wait without end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from wearvision_api.problems import Problem

Result = TypeVar("Result")
RETRY_AFTER_S = 2


class Work:
    """A few hands and a short queue.

    Threads do: the network and OpenCV leave Python's lock while they compute.

    Args:
        workers: Photos graded at the same time.
        waiting: How many more may wait.
    """

    def __init__(self, workers: int, waiting: int) -> None:
        self.workers = workers
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="grading")
        self._places = threading.BoundedSemaphore(workers + waiting)
        self._looks = threading.BoundedSemaphore(workers)
        self._lock = threading.Lock()
        self._inside = 0

    @property
    def inside(self) -> int:
        """Gradings that run or wait."""
        return self._inside

    def run(self, task: Callable[[], Result]) -> Result:
        """Runs a task and waits for it.

        Raises:
            Problem: ``busy``, with Retry-After; the task was not begun.
        """
        with self._place():
            return self._pool.submit(task).result()

    @contextmanager
    def look(self) -> Iterator[None]:
        """A turn for a short look at a photo: as many at the same time as there are hands, the others wait.

        Each holds a whole decoded picture; that many may wait only as there are requests.
        """
        with self._looks:
            yield

    @contextmanager
    def _place(self) -> Iterator[None]:
        if not self._places.acquire(blocking=False):
            raise Problem(
                "busy",
                f"All {self.workers} hands are busy and the queue is full; nothing was recorded. Send it again.",
                headers={"Retry-After": str(RETRY_AFTER_S)},
            )
        with self._lock:
            self._inside += 1
        try:
            yield
        finally:
            with self._lock:
                self._inside -= 1
            self._places.release()

    def close(self) -> None:
        """Finishes what is in flight."""
        self._pool.shutdown(wait=True)
