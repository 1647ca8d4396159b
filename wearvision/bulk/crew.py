"""Worker processes on the cores of this machine: items in, answers out in the same order, with flat memory."""

from __future__ import annotations

import os
import queue
import threading
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from typing import Any

from wearvision.bulk.hand import LONGEST_S, Hand, Work, ask_twice

AHEAD = 32
"""Items beyond one a core that may be done before a slow one: what is held in memory."""


def cores_here() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def work_through(
    work: Work,
    items: Iterable[Any],
    cores: int,
    *,
    stop: threading.Event | None = None,
    longest_s: float = LONGEST_S,
) -> Generator[tuple[Any, Any], None, None]:
    """Each item with its answer, in the order of the items, worked on by ``cores`` processes.

    A process that ends costs its own item at most: that is asked once more, alone, and then answered by
    ``work.failed``. Only some items are listed ahead of the answers. Closing the iterator ends the processes.

    Args:
        work: What the processes do.
        items: Listed lazily, in this thread.
        cores: Processes, at least 1.
        stop: Once set, no further item is started; those that run are finished and answered.
        longest_s: After so many seconds an item's process is ended.

    Raises:
        BulkError: no process starts. WearvisionError: what the work raised as it started.
    """
    crew = _Crew(work, cores, longest_s)
    try:
        yield from crew.answers(iter(items), AHEAD + cores, stop or threading.Event())
    finally:
        crew.close()


class _Crew:
    """Threads that each own a process."""

    def __init__(self, work: Work, cores: int, longest_s: float) -> None:
        self._work = work
        self._gate = _Gate()
        self._asked: queue.SimpleQueue[tuple[int, Any] | None] = queue.SimpleQueue()
        self._answered: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()
        self._hands = [Hand(work, longest_s) for _ in range(cores)]
        self._threads = [threading.Thread(target=self._serve, args=(hand,), daemon=True) for hand in self._hands]
        for thread in self._threads:
            thread.start()

    def answers(self, items: Iterator[Any], most: int, stop: threading.Event) -> Iterator[tuple[Any, Any]]:
        held: dict[int, Any] = {}
        ready: dict[int, Any] = {}
        fed, over, stopped = 0, False, False
        for number in count():
            while True:
                if stop.is_set() and not stopped:
                    over, stopped, fed = True, True, self._forget(fed)
                while not over and fed - number < most:
                    try:
                        held[fed] = next(items)
                    except StopIteration:
                        over = True
                        break
                    self._asked.put((fed, held[fed]))
                    fed += 1
                if number == fed and over:
                    return
                if number in ready:
                    break
                try:
                    at, answer = self._answered.get(timeout=0.2)
                except queue.Empty:  # a signal is only handled between two waits
                    continue
                if isinstance(answer, BaseException):
                    raise answer
                ready[at] = answer
            yield held.pop(number), ready.pop(number)

    def close(self) -> None:
        self._forget(0)
        for _ in self._threads:
            self._asked.put(None)
        for hand in self._hands:
            hand.close()
        for thread in self._threads:
            thread.join()

    def _forget(self, fed: int) -> int:
        """Takes back what no process has begun; gives the number from which on items are given up."""
        with suppress(queue.Empty):
            while (task := self._asked.get_nowait()) is not None:
                fed = min(fed, task[0])
        return fed

    def _serve(self, hand: Hand) -> None:
        while (task := self._asked.get()) is not None:
            number, item = task
            try:
                answer = self._ask(hand, item)
            except BaseException as error:  # no process starts, or the work cannot: the run ends with this
                answer = error
            self._answered.put((number, answer))

    def _ask(self, hand: Hand, item: Any) -> Any:
        # Alone: what another item took of the memory must not be laid at this one's door.
        return ask_twice(hand, self._work, item, first=self._gate.together, again=self._gate.alone)


class _Gate:
    """Many may be inside together, or one alone."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._inside = 0
        self._taken = False

    @contextmanager
    def together(self) -> Iterator[None]:
        with self._changed:
            self._changed.wait_for(lambda: not self._taken)
            self._inside += 1
        try:
            yield
        finally:
            with self._changed:
                self._inside -= 1
                self._changed.notify_all()

    @contextmanager
    def alone(self) -> Iterator[None]:
        with self._changed:
            self._changed.wait_for(lambda: not self._taken)
            self._taken = True
            self._changed.wait_for(lambda: self._inside == 0)
        try:
            yield
        finally:
            with self._changed:
                self._taken = False
                self._changed.notify_all()
