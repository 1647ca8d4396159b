"""Runs the trainings that were asked for: one at a time on this machine, followed by whichever process looks first."""

from __future__ import annotations

import fcntl
import json
import logging
import os
import shutil
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.errors import WearvisionError
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.store.tables import Account, now
from wearvision_api.store.teaching_tables import TrainingRow
from wearvision_api.teaching import gate, job, models
from wearvision_api.teaching.set_export import write as write_set
from wearvision_api.teaching.trainings import ENDED, change, options

LOG = logging.getLogger(__name__)
EVERY_S = 1.0
SIGN_OF_LIFE = timedelta(seconds=20)
"""How often it is noted that a training lives, though it says nothing new."""
GRACE = timedelta(seconds=60)
"""After a stop is asked for: so long until the process is told to end, and again so long until it is killed."""


class Watch:
    """Looks after trainings.

    Args:
        house: The running service.
        grace: Between asking, telling and forcing a process to end.
    """

    def __init__(self, house: House, *, grace: timedelta = GRACE) -> None:
        self.house, self.grace = house, grace
        self.folder = (house.settings.data / "trainings").resolve()

    def tick(self) -> None:
        """Follows what runs here, and begins what waits; does nothing where another process is just doing it."""
        with self.house.session(writes=False) as session:
            query = select(TrainingRow.id, TrainingRow.state, TrainingRow.process)
            found = session.execute(query.where(TrainingRow.state.in_(("waiting", "running")))).all()
        if not found:
            return
        with self._alone() as is_alone:
            if not is_alone:
                return
            busy = False
            for row in found:
                if row.state == "running" and self._is_ours(row.process):
                    busy |= self._follow(row.id)
            if not busy and not job.lacking() and any(row.state == "waiting" for row in found):
                self._begin()

    def tidy(self) -> None:
        """Removes what a service that was killed meanwhile left of trainings that had ended, copies of photos first."""
        with self.house.session(writes=False) as session:
            ended = {row.id: row.state for row in session.scalars(select(TrainingRow)) if row.state in ENDED}
        for training_id, state in ended.items():
            work = job.Job(self.folder / training_id)
            if work.data.exists() or (state == "done" and (work.out / "model").exists()):
                with self._alone() as is_alone:
                    if is_alone and not work.is_alive():
                        self._tidy(work, everything=state == "done")

    @contextmanager
    def running(self, *, every_s: float = EVERY_S) -> Iterator[None]:
        """Ticks in a thread of its own until the block ends; trainings go on after it."""
        stop = threading.Event()

        def run() -> None:
            is_tidy = False
            while not stop.wait(every_s):
                try:
                    if not is_tidy:
                        self.tidy()
                        is_tidy = True
                    self.tick()
                except Exception:
                    LOG.exception("looking after trainings failed; it is tried again")

        worker = threading.Thread(target=run, name="trainings")
        worker.start()
        try:
            yield
        finally:
            stop.set()
            worker.join()

    @contextmanager
    def _alone(self) -> Iterator[bool]:
        """Whether no other process of this machine looks after trainings at this moment."""
        self.folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(self.folder / ".watch", os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield True
        except BlockingIOError:
            yield False
        finally:
            os.close(handle)

    def _is_ours(self, process: dict[str, Any] | None) -> bool:
        return process is not None and process["host"] == job.host() and Path(process["folder"]).parent == self.folder

    def _begin(self) -> None:
        with self.house.session() as session:
            query = select(TrainingRow).where(TrainingRow.state == "waiting").order_by(TrainingRow.created_at)
            row = session.scalar(query.limit(1))
            if row is None:
                return
            work = job.Job(self.folder / row.id)
            with suppress(Problem):  # somebody stopped it, or another machine began it, at this moment
                place = {"host": job.host(), "pid": 0, "folder": str(work.folder)}
                began = row.begun_at or now()
                fresh: dict[str, Any] = {"state": "running", "process": place, "begun_at": began, "seen_at": now()}
                change(session, row, **fresh, progress={}, said="")
                session.commit()
                self._start(session, row, work)

    def _start(self, session: Session, row: TrainingRow, work: job.Job) -> None:
        try:
            shutil.rmtree(work.data, ignore_errors=True)  # of a start before, which may hold what was erased since
            write_set(self.house, session, row.data_set, work.data)
            base = models.source_of(session, self.house.current.files, row.base, all_files=True)
            session.rollback()
            place = work.begin(options(row, work, str(base), self.house.settings.limits))
        except (WearvisionError, Problem, OSError) as error:
            session.rollback()
            self._end(session, row, work, "failed", str(error))
            return
        session.refresh(row)
        change(session, row, process={**(row.process or {}), **place}, seen_at=now())
        session.commit()

    def _follow(self, training_id: str) -> bool:
        """Brings one training's record up to date; whether it still runs."""
        with self.house.session() as session:
            row = session.get(TrainingRow, training_id)
            if row is None or row.state != "running" or not self._is_ours(row.process):
                return False
            work = job.Job(self.folder / row.id)
            newest = joined(row.progress, work.newest())
            if work.is_alive():
                process = self._pressed(work, row.process or {})
                late = row.seen_at is None or now() - row.seen_at >= SIGN_OF_LIFE
                if newest != row.progress or process != row.process or late:
                    with suppress(Problem):
                        change(session, row, progress=newest, process=process, seen_at=now())
                        session.commit()
                return True
            session.rollback()
            if newest != row.progress:
                with suppress(Problem):
                    change(session, row, progress=newest)
                    session.commit()
            self._ended(session, row, work)
            return False

    def _pressed(self, work: job.Job, process: dict[str, Any]) -> dict[str, Any]:
        """Presses a training to stop, harder the longer ago that was asked for; gives what to remember of it."""
        if "stop_at" not in process:
            return process
        waited = abs(now() - datetime.fromisoformat(process["stop_at"]))  # a clock set back must not make it wait on
        pressed = int(process.get("pressed", 0))
        if pressed < 1:
            work.ask_to_stop()
            return {**process, "pressed": 1}
        if pressed < 2 and waited >= self.grace:
            work.end(process["pid"], kill=False)
            return {**process, "pressed": 2}
        if waited >= 2 * self.grace:
            work.end(process["pid"], kill=True)
            return {**process, "pressed": 3}
        return process

    def _ended(self, session: Session, row: TrainingRow, work: job.Job) -> None:
        status = work.exit_status()
        if status == 0:
            try:
                self._take_in(session, row, work)
            except (WearvisionError, OSError, ValueError) as error:
                session.rollback()
                self._end(session, row, work, "failed", f"The new model could not be taken in: {error}")
        elif status == job.STOPPED or "stop_at" in (row.process or {}):
            self._end(session, row, work, "stopped", "It was stopped, and can go on.")
        elif status is None and not (row.process or {}).get("pid"):
            with suppress(Problem):  # the service was killed while it prepared it: begin it again
                session.refresh(row)
                change(session, row, state="waiting", process=None)
                session.commit()
        elif status is None:
            said = "Its process was ended from outside, perhaps with the whole machine; it can go on."
            self._end(session, row, work, "stopped", said)
        else:
            self._end(session, row, work, "failed", work.why())

    def _take_in(self, session: Session, row: TrainingRow, work: job.Job) -> None:
        report = json.loads((work.out / "report.json").read_text("utf-8"))
        if not isinstance(report, dict):
            raise ValueError("report.json holds no report")
        session.rollback()
        model = models.keep(
            session,
            self.house.blobs,
            work.out / "model",
            owner_id=row.owner_id,
            base=row.base,
            report=report,
            gate=gate.verdict(report, self.house.gate),
            training_id=row.id,
            set_id=row.set_id,
        )
        change(session, row, state="done", ended_at=now(), seen_at=now(), said="", model_id=model.id)
        who = session.get_one(Account, row.owner_id)
        after = {"model": model.id, "files": model.files, "gate": model.gate["passed"], "set": row.set_id}
        ledger.append(session, who.name, "trained", "model", model.id, after=after)
        session.commit()
        self._tidy(work, everything=True)

    def _end(self, session: Session, row: TrainingRow, work: job.Job, state: str, said: str) -> None:
        with suppress(Problem):
            session.refresh(row)
            change(session, row, state=state, ended_at=now(), said=said)
            session.commit()
        self._tidy(work, everything=False)

    def _tidy(self, work: job.Job, *, everything: bool) -> None:
        """Removes the copies of photos; with ``everything`` all but what was said, since the model lies as blobs."""
        shutil.rmtree(work.data, ignore_errors=True)
        if everything:
            kept = work.newest()
            shutil.rmtree(work.out, ignore_errors=True)
            work.out.mkdir(parents=True, exist_ok=True)
            (work.out / "progress.jsonl").write_text(json.dumps(kept) + "\n", "utf-8")


def joined(before: Mapping[str, Any], newest: Mapping[str, Any]) -> dict[str, Any]:
    """The newest line with the stages that were left before it; a training may come back to one of them.

    Args:
        before: What was kept until now.
        newest: The line.
    """
    past = list(before.get("past", ()))
    stage = before.get("stage")
    if stage and stage != newest.get("stage") and stage not in past:
        past.append(stage)
    return {**newest, "past": past} if newest else dict(before)
