"""One worker process, seen from the process that started it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext, suppress
from typing import Any, Protocol

from wearvision.bulk.child import receive, send
from wearvision.errors import BulkError

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")
ONE_THREAD = dict.fromkeys(_THREADS, "1")
"""A worker process uses one core; the cores are shared out by their number."""
STARTS = 3
"""Tries to start a worker process before it is said that none can be."""
LONGEST_S = 300.0
"""Longest time for one item; far beyond the slowest photo that is accepted, on a busy machine."""


class Work(Protocol):
    """What worker processes do; pickled, so that each starts it for itself."""

    def start(self) -> Callable[[Any], Any]:
        """Makes ready, once a process; gives what answers one item."""

    def failed(self, item: Any, code: str, message: str) -> Any:
        """The answer in place of one that no process could give; called in the process that asks."""


class HandDied(Exception):
    """The process ended under an item."""


class HandFailed(Exception):
    """The item raised something that nobody foresaw; the process goes on."""


class Hand:
    """A worker process, started when first asked, and anew after it ended.

    Args:
        work: What it does.
        longest_s: After so many seconds an item's process is ended.
    """

    def __init__(self, work: Work, longest_s: float = LONGEST_S) -> None:
        self._work = work
        self._longest_s = longest_s
        self._process: subprocess.Popen[bytes] | None = None
        self.closed = False

    def ask(self, item: Any) -> Any:
        """The answer to one item.

        Raises:
            HandDied: the process ended, or took too long and was ended.
            HandFailed: the item raised.
            BulkError: no process starts.
            WearvisionError: what the work raised as it started.
        """
        process = self._process or self._start()
        kind, answer = self._exchange(process, item, self._longest_s)
        if kind == "failed":
            raise HandFailed(answer)
        return answer

    def close(self) -> None:
        """Ends the process, whatever it is at; it is not started again."""
        self.closed = True
        self._end()

    def _exchange(self, process: subprocess.Popen[bytes], message: Any, longest_s: float) -> tuple[str, Any]:
        if process.stdin is None or process.stdout is None:
            raise AssertionError("started with pipes")
        late = threading.Event()

        def end() -> None:
            late.set()
            process.kill()

        clock = threading.Timer(longest_s, end)
        clock.daemon = True
        clock.start()
        try:
            send(process.stdin, message)
            kind, answer = receive(process.stdout)
        except (EOFError, OSError, ValueError) as error:
            status = self._end()
            why = f"took longer than {longest_s:g} s" if late.is_set() else f"ended with status {status}"
            raise HandDied(f"the worker process {why}") from error
        finally:
            clock.cancel()
        return kind, answer

    def _start(self) -> subprocess.Popen[bytes]:
        for attempt in range(STARTS):
            if self.closed:
                raise HandDied("closed")
            # A session of its own: an interrupt from the keyboard is for the process that leads.
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "wearvision.bulk.child"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env={**os.environ, **ONE_THREAD},
                start_new_session=True,
            )
            if self.closed:  # by another thread, meanwhile
                self._end()
                break
            try:
                kind, answer = self._exchange(self._process, self._work, LONGEST_S)
            except HandDied as error:
                if attempt + 1 == STARTS and not self.closed:
                    raise BulkError(f"No worker process starts: {error}; is there memory left?") from error
                continue
            if kind == "unable":
                self._end()
                raise answer
            return self._process
        raise HandDied("closed")

    def _end(self) -> int | None:
        process, self._process = self._process, None
        if process is None:
            return None
        process.kill()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with suppress(OSError):  # what was still to be written has nobody to read it
                    stream.close()
        return process.wait()


Pass = Callable[[], AbstractContextManager[None]]


def ask_twice(hand: Hand, work: Work, item: Any, *, first: Pass = nullcontext, again: Pass = nullcontext) -> Any:
    """The answer to an item: where its process ended it is asked once more, and then answered by ``work.failed``.

    Args:
        hand: The process.
        work: What it does.
        item: What is asked.
        first: Held while it is asked.
        again: Held while it is asked once more.

    Raises:
        HandDied: the hand was closed meanwhile.
        BulkError, WearvisionError: as ``Hand.ask``.
    """
    try:
        try:
            with first():
                return hand.ask(item)
        except HandDied:
            with again():
                return hand.ask(item)
    except HandDied as error:
        if hand.closed:
            raise
        return work.failed(item, "worker_died", f"Not judged: {error}, twice.")
    except HandFailed as error:
        return work.failed(item, "failed", f"Not judged: {error}.")
