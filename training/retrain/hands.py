"""Processes that work through pictures, and that leave with the process that started them."""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import TypeVar

from wearvision_training.leaving import leave_with
from wearvision_training.retrain.progress import Failed

Task = TypeVar("Task")
Result = TypeVar("Result")
AHEAD = 2
"""Tasks a process that are handed out before the first is done: little is lost when a training stops."""


def _begin(parent: int) -> None:
    """Leaves signals to the parent, which finishes what is at hand, and ends when that is gone."""
    for kind in (signal.SIGTERM, signal.SIGINT):
        signal.signal(kind, signal.SIG_IGN)
    import cv2

    cv2.setNumThreads(1)
    leave_with(parent)


class Hands:
    """Worker processes, started when there is something to do; with one, the work is done in this process.

    Args:
        count: How many.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Hands:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def each(self, work: Callable[[Task], Result], tasks: Sequence[Task]) -> Iterator[Result]:
        """Results in the order of the tasks.

        Raises:
            Failed: a process was ended from outside, as when memory runs out.
        """
        if self.count <= 1:
            yield from map(work, tasks)
            return
        pool = self._started()
        waiting: deque[Future[Result]] = deque()
        rest = iter(tasks)
        try:
            for task in rest:
                waiting.append(pool.submit(work, task))
                if len(waiting) >= AHEAD * self.count:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        except BrokenProcessPool as error:
            raise Failed("A worker process was ended, most likely for want of memory; start again.") from error
        finally:
            for one in waiting:
                one.cancel()

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            # Spawned, not forked: a fork beside the threads of a runtime already loaded here may wait for ever. One
            # thread each, which a library takes from the environment when it is loaded.
            kept = {name: os.environ.get(name) for name in _THREADS}
            os.environ.update(dict.fromkeys(_THREADS, "1"))
            self._pool = ProcessPoolExecutor(
                self.count, get_context("spawn"), initializer=_begin, initargs=(os.getpid(),)
            )
            list(self._pool.map(abs, range(self.count)))
            for name, value in kept.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value
        return self._pool


_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
