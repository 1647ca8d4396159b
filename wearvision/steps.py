"""Time of each step of grading, for whoever asks: ``with recorded() as spent: grader.grade(photo)``."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from types import TracebackType

_SPENT: ContextVar[dict[str, float] | None] = ContextVar("spent", default=None)


@contextmanager
def recorded() -> Iterator[dict[str, float]]:
    """Seconds of every step that ends while this is open, in this thread, summed by name; steps may hold others."""
    spent: dict[str, float] = {}
    token = _SPENT.set(spent)
    try:
        yield spent
    finally:
        _SPENT.reset(token)


class Step:
    """A step of that name, ``with Step("decode"):``; costs next to nothing while nobody records."""

    __slots__ = ("_name", "_spent", "_started")

    def __init__(self, name: str) -> None:
        self._name = name
        self._spent = _SPENT.get()

    def __enter__(self) -> None:
        self._started = time.perf_counter()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._spent is not None:
            self._spent[self._name] = self._spent.get(self._name, 0.0) + time.perf_counter() - self._started
