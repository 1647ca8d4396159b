"""A model in the shadow: grades the same photos once the answer has been sent; what differs is kept to be looked at."""

from __future__ import annotations

import logging
import os
import queue
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session
from starlette.types import ASGIApp, Receive, Scope, Send

from wearvision.photo import read_photo
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.tables import GradeRow
from wearvision_api.store.teaching_tables import ShadowRow
from wearvision_api.teaching.current import Current

LOG = logging.getLogger(__name__)
MOST = 32
"""Grades that may wait; under load more are dropped, never an answer delayed."""
NICE = 15
"""How far the thread stands behind those that grade for somebody, where the system can tell threads apart."""


@dataclass(frozen=True, slots=True)
class Silent:
    """What was graded: id of the grade, photos by hash, and what the caller named besides."""

    grade_id: str
    digests: tuple[str, ...]
    part: str | None
    reference: str | None


class Shadow:
    """A short queue and one thread behind it.

    Args:
        engine: Of the open database.
        blobs: Photos.
        current: Says which model is in the shadow.
        most: Grades that may wait.
    """

    def __init__(self, engine: Engine, blobs: Blobs, current: Current, *, most: int = MOST) -> None:
        self._engine, self._blobs, self._current = engine, blobs, current
        self._queue: queue.Queue[Silent | None] = queue.Queue(most)
        self._is_running = False
        self.graded = self.dropped = self.failed = 0

    @property
    def waiting(self) -> int:
        """Grades that wait."""
        return self._queue.qsize()

    def offer(self, one: Silent) -> None:
        """Takes a grade that was just made; at the earliest it is looked at once the answer has been sent."""
        if not self._is_running or self._current.shadow is None:
            return
        held = _HELD.get()
        if held is None:
            self._put(one)
        else:
            held.append((self, one))

    def _put(self, one: Silent) -> None:
        try:
            self._queue.put_nowait(one)
        except queue.Full:
            self.dropped += 1

    @contextmanager
    def running(self) -> Iterator[None]:
        """Grades in a thread of its own until the block ends; what waits then is dropped."""
        worker = threading.Thread(target=self._work, name="shadow")
        self._is_running = True
        worker.start()
        try:
            yield
        finally:
            self._is_running = False
            while True:
                try:
                    self._queue.get_nowait()
                    self.dropped += 1
                except queue.Empty:
                    break
            self._queue.put(None)
            worker.join()

    def _work(self) -> None:
        if sys.platform == "linux":  # elsewhere a priority is the whole process's
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICE)
        while (one := self._queue.get()) is not None:
            try:
                self._grade(one)
            except FileNotFoundError:
                self.dropped += 1  # erased meanwhile
            except Exception:
                self.failed += 1
                LOG.exception("a grade in the shadow failed")

    def _grade(self, one: Silent) -> None:
        shadow = self._current.shadow
        if shadow is None:
            return
        with Session(self._engine.execution_options(writes=False)) as session:
            row = session.get(GradeRow, one.grade_id)
            if row is None or row.report["model"]["id"] == shadow.grader.model_id:
                return  # the request was taken back, or the model came into use meanwhile
            before = row.report
        shots = [read_photo(self._blobs.get(digest)) for digest in one.digests]
        known = read_photo(self._blobs.get(one.reference)) if one.reference else None
        after = shadow.grader.grade_part(shots, one.part, known).to_dict()
        with Session(self._engine) as session:
            if session.get(ShadowRow, (one.grade_id, shadow.model)) is None:
                differs = said(before) != said(after)
                session.add(
                    ShadowRow(
                        grade_id=one.grade_id,
                        model=shadow.model,
                        grade=after["grade"],
                        report=after,
                        differs=differs,
                    )
                )
                session.commit()
        self.graded += 1


def said(report: dict[str, Any]) -> tuple[str | None, str | None, bool]:
    """What counts of a report when two are held beside each other: part, grade, whether it could be judged."""
    return report["part"]["name"], report["grade"], bool(report["usable"])


_HELD: ContextVar[list[tuple[Shadow, Silent]] | None] = ContextVar("held", default=None)


class AfterAnswer:
    """ASGI middleware that hands grades on to the shadow only when the request's answer has been sent.

    Args:
        app: What answers.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        held: list[tuple[Shadow, Silent]] = []
        token = _HELD.set(held)
        try:
            await self.app(scope, receive, send)
        finally:
            _HELD.reset(token)
            for worker, one in held:
                worker._put(one)
