"""Many earlier results graded again on this machine."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing
from itertools import chain, islice
from pathlib import Path
from typing import Any

from wearvision.bulk.again import UNNAMED, RegradeWork, record_in
from wearvision.bulk.job import Answer
from wearvision.bulk.results import ResultsFile, demand_terms, read_lines
from wearvision.bulk.tally import Tally
from wearvision.errors import BulkError, ResultsError

CHUNK = 64
"""Results handed to a process at a time where no photo is looked at: one takes about as long as handing it over."""
FEW_CHUNKS = 16
"""Fewer chunks than this are worked on in this process: the others take longer to start."""


def regrade_here(
    path: Path | None,
    results: Sequence[str],
    work: RegradeWork,
    cores: int,
    *,
    stop: threading.Event | None = None,
    progress: Callable[[Tally], None] | None = None,
) -> Tally:
    """Grades earlier results again, one line each in their order, and goes on where an earlier run stopped.

    Args:
        path: File for the new results; None: they are only counted.
        results: Files of results, or folders of part files.
        work: How.
        cores: Processes to use.
        stop: Once set, nothing further is begun.
        progress: Is told the counts now and then.

    Raises:
        ResultsError: an input is no file of results, or ``path`` holds something else or cannot be written.
        WearvisionError: model or limits cannot be used, or no process starts.
    """
    tally = Tally()
    terms = work.id
    files = list(files_of(results))
    if path is not None and path.resolve() in {file.resolve() for file in files}:
        raise ResultsError(f"{path} is what is to be graded again; give another --out.")
    with ExitStack() as held:
        file = None if path is None else held.enter_context(ResultsFile(path))
        lines = (line for one in files for line in lines_of(one))
        if file is not None:
            _skip(file, lines, terms, tally)
        items = enumerate(_chunks(lines, 1 if work.looks else CHUNK))
        for answer in _answers(work, items, cores, stop, held):
            if file is not None:
                file.append(answer.lines)
            tally.add(answer.facts)
            if progress is not None:
                progress(tally)
        if file is not None:
            file.sync()
    return tally


def files_of(results: Iterable[str]) -> Iterator[Path]:
    """Files of results, a folder replaced by its part files in order. ResultsError where there is none."""
    for text in results:
        path = Path(text)
        if not path.is_dir():
            yield path
            continue
        parts = sorted(part for part in path.iterdir() if part.suffix in (".parquet", ".jsonl") and part.name[0] != ".")
        if not parts:
            raise ResultsError(f"There is no file of results in {text}; looked for *.parquet and *.jsonl.")
        yield from parts


def lines_of(path: Path) -> Iterator[bytes]:
    """The results in a file as lines of JSON. ResultsError if it cannot be read."""
    if path.suffix != ".parquet":
        yield from read_lines(path)
        return
    try:
        from wearvision.bulk.table import parquet_lines
    except ImportError as error:
        raise BulkError(f"{path} needs pip install 'wearvision[bulk]' ({error.name} is missing).") from error
    yield from parquet_lines(path)


def _skip(file: ResultsFile, lines: Iterator[bytes], terms: str, tally: Tally) -> None:
    """Leaves out what is done: as many results as the file has, which must be of the same photos."""
    last: dict[str, Any] = {}
    for record in file.records():
        demand_terms(record, terms, file.path)
        tally.earlier(record)
        last = record
    if tally.before:
        at = next(islice(lines, tally.before - 1, None), None)
        if at is None or record_in(at).get("photo", UNNAMED) != last.get("photo"):
            raise ResultsError(f"{file.path} was made from other results; give another --out.")


def _chunks(lines: Iterator[bytes], size: int) -> Iterator[bytes]:
    while chunk := b"".join(islice(lines, size)):
        yield chunk


def _answers(
    work: RegradeWork, items: Iterator[tuple[int, bytes]], cores: int, stop: threading.Event | None, held: ExitStack
) -> Iterator[Answer]:
    first = list(islice(items, 1 if work.looks else FEW_CHUNKS))
    if not work.looks and len(first) < FEW_CHUNKS:
        answer = work.start()
        for item in first:
            if stop is not None and stop.is_set():
                return
            yield answer(item)
        return
    from wearvision.bulk.crew import work_through

    answers = held.enter_context(closing(work_through(work, chain(first, items), cores, stop=stop)))
    yield from (answer for _, answer in answers)
