"""Many photos, or many earlier results, on this machine."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from itertools import chain, islice
from pathlib import Path
from typing import Any

from wearvision.bulk.entries import Entry
from wearvision.bulk.job import Answer, GradeWork
from wearvision.bulk.results import Done, ResultsFile, source_of
from wearvision.bulk.tally import Tally

FEW = 8
"""Fewer photos than this are graded in this process: others take about as long to start."""

Seen = Callable[[Answer], None]
"""Is told every answer, in order."""


def grade_here(
    entries: Iterable[Entry], work: GradeWork, cores: int, seen: Seen, *, stop: threading.Event | None = None
) -> None:
    """Grades listed photos and hands each answer over in their order.

    Args:
        entries: Listed lazily.
        work: How.
        cores: Processes to use. A few photos are graded in this one.
        seen: Gets the answers.
        stop: Once set, no further photo is begun.

    Raises:
        WearvisionError: model, limits or reference cannot be used, or no process starts.
    """
    items = enumerate(entries)
    first = list(islice(items, FEW))
    if len(first) < FEW:
        answer = work.start()
        for item in first:
            if stop is not None and stop.is_set():
                return
            seen(answer(item))
        return
    _in_processes(work, chain(first, items), cores, seen, stop)


def grade_into(
    path: Path,
    entries: Iterable[Entry],
    work: GradeWork,
    cores: int,
    *,
    stop: threading.Event | None = None,
    progress: Callable[[Tally], None] | None = None,
) -> Tally:
    """Grades listed photos into a file of results, one line each, and goes on where an earlier run stopped.

    A photo whose address, size and time of change stand in the file is done. One that changed is graded anew, and
    has two lines then: the later one counts.

    Args:
        path: The file.
        entries: Listed lazily.
        work: How; its ``id`` must be that of its terms.
        cores: Processes to use.
        stop: Once set, no further photo is begun.
        progress: Is told the counts after every photo.

    Raises:
        ResultsError: the file holds something else, or cannot be written.
        WearvisionError: as ``grade_here``.
    """
    tally = Tally()
    with ResultsFile(path) as file, closing(Done()) as done:
        for record in file.records():
            done.add(source_of(record, work.id, path))
            tally.earlier(record)

        def keep(answer: Answer) -> None:
            file.append(answer.lines)
            tally.add(answer.facts)
            if progress is not None:
                progress(tally)

        _in_processes(work, enumerate(_undone(entries, done)), cores, keep, stop)
        file.sync()
    return tally


def _undone(entries: Iterable[Entry], done: Done) -> Iterator[Entry]:
    for entry in entries:
        if entry not in done:
            done.add(entry)  # the same photo named twice is graded once
            yield entry


def _in_processes(work: Any, items: Iterator[Any], cores: int, seen: Seen, stop: threading.Event | None) -> None:
    from wearvision.bulk.crew import work_through

    first = next(items, None)
    if first is None:
        return
    with closing(work_through(work, chain([first], items), cores, stop=stop)) as answers:
        for _, answer in answers:
            seen(answer)
