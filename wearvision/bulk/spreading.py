"""Many photos on many machines, by Dask: batches listed lazily, a bounded number of them under way, one file each."""

from __future__ import annotations

import logging
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from itertools import chain, islice
from typing import Any

import dask
from distributed import Client, Future, KilledWorker, LocalCluster, as_completed

from wearvision.bulk.again import RegradeWork
from wearvision.bulk.dask_worker import Batch, Kit, grade_batch, regrade_part
from wearvision.bulk.entries import Entry
from wearvision.bulk.job import GradeWork
from wearvision.bulk.parts import Parts
from wearvision.bulk.regrading import CHUNK
from wearvision.bulk.results import Done
from wearvision.bulk.tally import Tally
from wearvision.errors import BulkError, ResultsError, SetupError, WearvisionError

FIRST_BATCH = 8
"""Photos of the first batches; they double every eight batches, so that few photos, too, are spread."""
AHEAD = 2
"""Batches under way for each thread of the workers."""
TRIES = 2
"""Tries after a task raised, as where a store did not answer; a worker that dies is counted by Dask itself."""
LOOK_S = 0.05
"""Pause between two looks at what is done."""
MEND_S = 5.0
"""Pause between two looks whether a local worker ended for good, as where it was killed while it started."""
RESTART_S = 60
"""Longest time in which a local worker that ended is started again by its own keeper."""
CONNECT_S = 20
"""Longest wait for a scheduler."""

Progress = Callable[[Tally], None]
Task = tuple[str, Callable[[Client], Future[Tally | SetupError]], Callable[[], "list[Task]"]]
"""Name, how it is submitted, and what it is split into where its workers die again and again."""


def grade_spread(
    out: str,
    entries: Iterable[Entry],
    work: GradeWork,
    scheduler: str,
    cores: int,
    batch: int,
    *,
    stop: threading.Event | None = None,
    progress: Progress | None = None,
) -> Tally:
    """Grades listed photos into part files and goes on where an earlier run stopped.

    A batch that has its file is done. A part file is written once and whole, and its name follows from the photos in
    it and the terms, so a batch that two workers did is there once.

    Args:
        out: Folder for the part files; JSON lines where its name ends in ``.jsonl``, else Parquet.
        entries: Listed lazily.
        work: How; its ``id`` must be that of its terms.
        scheduler: ``"local"`` for worker processes here, or the address of a scheduler.
        cores: Local workers.
        batch: Most photos of a part file.
        stop: Once set, nothing further is begun; what is under way counts only if its file was written.
        progress: Is told the counts after every batch.

    Raises:
        ResultsError: the folder holds results of other terms, or cannot be written.
        BulkError: no scheduler answers, or a worker has another model or program.
    """
    parts = Parts.at(out, make=True)
    tally = Tally()

    def tasks(run: str) -> Generator[Task, None, None]:
        there = parts.names()
        with closing(_Undone(parts, there, work.id, tally)) as undone:
            for one in undone.batches(entries, batch):
                yield _grading(run, one, work.id, parts)

    return _spread(scheduler, cores, work, tasks, tally, stop, progress)


def regrade_spread(
    out: str | None,
    results: Sequence[str],
    work: RegradeWork,
    scheduler: str,
    cores: int,
    *,
    stop: threading.Event | None = None,
    progress: Progress | None = None,
) -> Tally:
    """Grades the part files of earlier results again, one new part file each.

    Args:
        out: Folder for the new part files; None: the results are only counted.
        results: Folders of part files.
        work: How.
        scheduler: As ``grade_spread``.
        cores: Local workers.
        stop: Once set, nothing further is begun.
        progress: Is told the counts after every file.

    Raises:
        ResultsError, BulkError: as ``grade_spread``.
    """
    parts = None if out is None else Parts.at(out, make=True)
    tally, terms = Tally(), work.id
    chunk = 1 if work.looks else CHUNK

    def tasks(run: str) -> Generator[Task, None, None]:
        there = parts.names() if parts is not None else {}
        for address in results:
            source = Parts.at(address)
            if parts is not None and source.address == parts.address:
                raise ResultsError(f"{address} is what is to be graded again; give another --out.")
            for number, (own, file) in enumerate(sorted(source.names().items(), key=lambda item: item[1])):
                again = Batch(number, (Entry(f"{source.address}/{own}"),)).id(terms)
                if again in there:
                    tally.before += 1
                    continue
                name = f"part-{number:08d}-{again}"
                yield name, _submit(regrade_part, run, source, file, name, parts, chunk), _cannot_split

    return _spread(scheduler, cores, work, tasks, tally, stop, progress)


class _Undone:
    """Batches of what is not done yet; close it after use."""

    def __init__(self, parts: Parts, there: dict[str, str], terms: str, tally: Tally) -> None:
        self._parts, self._there, self._terms, self._tally = parts, there, terms, tally
        self._listed = Done()
        self._kept: Done | None = None

    def batches(self, entries: Iterable[Entry], most: int) -> Iterator[Batch]:
        """Cut from the list by its order alone, so that the next run cuts alike; less what has a file."""
        fresh = self._once(entries)
        number = 0
        while listed := tuple(islice(fresh, min(most, FIRST_BATCH << number // 8))):
            batch = Batch(number, listed)
            number += 1
            if batch.id(self._terms) in self._there:
                self._tally.before += len(listed)
                continue
            left = listed
            if self._there:
                # Some photos were added, changed or removed since, or an earlier run was stopped here.
                left = tuple(entry for entry in listed if entry not in self._kept_ones())
                self._tally.before += len(listed) - len(left)
            if left:
                yield Batch(batch.number, left)

    def close(self) -> None:
        self._listed.close()
        if self._kept is not None:
            self._kept.close()

    def _kept_ones(self) -> Done:
        if self._kept is None:
            self._kept = Done()
            for entry in self._parts.sources(self._terms):
                self._kept.add(entry)
        return self._kept

    def _once(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        for entry in entries:
            if entry not in self._listed:
                self._listed.add(entry)
                yield entry


def _grading(run: str, batch: Batch, terms: str, parts: Parts) -> Task:
    name = f"part-{batch.number:08d}-{batch.id(terms)}"

    def split() -> list[Task]:
        entries = batch.entries
        if len(entries) == 1:
            raise BulkError(
                f"The workers die again and again under {entries[0].name}, outside the process that judges."
            )
        half = len(entries) // 2
        halves = (Batch(batch.number, entries[:half]), Batch(batch.number, entries[half:]))
        return [_grading(run, one, terms, parts) for one in halves]

    return name, _submit(grade_batch, run, batch, name, parts), split


def _cannot_split() -> list[Task]:
    raise BulkError("The workers die again and again under one file of results.")


def _submit(
    function: Callable[..., Tally | SetupError], run: str, *arguments: Any
) -> Callable[[Client], Future[Tally | SetupError]]:
    def submit(client: Client) -> Future[Tally | SetupError]:
        return client.submit(function, run, *arguments, key=f"{run}-{uuid.uuid4().hex}", pure=False, retries=TRIES)

    return submit


def _spread(
    scheduler: str,
    cores: int,
    work: GradeWork | RegradeWork,
    tasks: Callable[[str], Generator[Task, None, None]],
    tally: Tally,
    stop: threading.Event | None,
    progress: Progress | None,
) -> Tally:
    run = f"wearvision-{uuid.uuid4().hex[:12]}"
    with closing(tasks(run)) as listed:
        first = next(listed, None)
        if first is None:  # all is done
            return tally
        with _client(scheduler, cores) as (client, mend):
            try:
                _bring(client, Kit(run, work))
                _follow(client, chain([first], listed), tally, stop or threading.Event(), progress, mend)
                with suppress(OSError):  # a worker that ended meanwhile holds nothing any more
                    client.unregister_worker_plugin(run)
            except WearvisionError:
                raise
            except Exception as error:  # Dask's own errors and those of its transport
                raise BulkError(f"The workers or their scheduler failed: {type(error).__name__}: {error}.") from error
    return tally


def _bring(client: Client, kit: Kit) -> None:
    """Hands the kit to every worker; those that come later get it from the scheduler."""
    for attempt in range(TRIES + 1):
        try:
            client.register_plugin(kit)
            return
        except OSError:  # a worker ended just then
            if attempt == TRIES:
                raise


def _follow(
    client: Client,
    tasks: Iterator[Task],
    tally: Tally,
    stop: threading.Event,
    progress: Progress | None,
    mend: Callable[[], object],
) -> None:
    """Keeps a bounded number of tasks under way until all are done or it is to stop."""
    mended = time.monotonic()
    under_way: dict[Future[Tally | SetupError], Task] = {}
    done = as_completed()

    def begin(task: Task) -> None:
        future = task[1](client)
        under_way[future] = task
        done.add(future)

    for task in islice(tasks, _room(client)):
        begin(task)
    while under_way and not stop.is_set():
        # Asked, not waited for: a batch may take a minute, and a stop should not.
        finished = done.next_batch(block=False)
        for future in finished:
            smaller = _taken(future, under_way.pop(future), tally)
            for task in smaller:
                begin(task)
        if finished and progress is not None:
            progress(tally)
        for task in islice(tasks, max(0, _room(client) - len(under_way)) if finished else 0):
            begin(task)
        if not finished:
            stop.wait(LOOK_S)
        if time.monotonic() - mended > MEND_S:
            mend()
            mended = time.monotonic()
    client.cancel(list(under_way))


def _taken(future: Future[Tally | SetupError], task: Task, tally: Tally) -> list[Task]:
    """Counts what a task gave; what it is to be split into where its workers died again and again."""
    try:
        counts = future.result()
    except KilledWorker:
        return task[2]()
    if isinstance(counts, SetupError):
        raise counts
    tally.merge(counts)
    return []


def _room(client: Client) -> int:
    return AHEAD * max(1, int(sum(client.nthreads().values())))


@contextmanager
def _client(scheduler: str, cores: int) -> Iterator[tuple[Client, Callable[[], object]]]:
    """A client, and what starts local workers again that nobody else does."""
    if scheduler != "local":
        try:
            client = Client(scheduler, timeout=CONNECT_S)
        except (OSError, ValueError) as error:
            raise BulkError(f"No scheduler answers at {scheduler}: {error}.") from error
        with client:
            yield client, lambda: None
        return
    with (
        # A worker that starts again on a busy machine is slow, not lost.
        dask.config.set({"distributed.deploy.lost-worker-timeout": f"{RESTART_S} s"}),
        tempfile.TemporaryDirectory(prefix="wearvision-") as folder,
        LocalCluster(
            n_workers=cores,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            worker_dashboard_address="127.0.0.1:0",
            local_directory=folder,
            silence_logs=logging.ERROR,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client, lambda: cluster.scale(cores)
