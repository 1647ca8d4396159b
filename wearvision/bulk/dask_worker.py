"""What runs on a Dask worker: it keeps the model and its worker processes, and turns batches into part files.

Photos are judged in a process of their own, so that one that kills it costs itself and not the Dask worker with all
that it was at. A task writes one part file and gives back counts only; done twice, it writes the same file twice.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from distributed import Worker, WorkerPlugin

from wearvision.bulk.again import RegradeWork
from wearvision.bulk.entries import Entry
from wearvision.bulk.hand import Hand, ask_twice
from wearvision.bulk.job import GradeWork
from wearvision.bulk.parts import Parts
from wearvision.bulk.tally import Tally
from wearvision.errors import BulkError, SetupError
from wearvision.finder import FILE as FINDER
from wearvision.network import ModelFolder

MODEL_FILES = ("model.json", "model.onnx")


@dataclass(frozen=True, slots=True)
class Batch:
    """Photos that become one part file.

    Attributes:
        number: Place in the list.
        entries: The photos.
    """

    number: int
    entries: tuple[Entry, ...]

    def id(self, terms: str) -> str:
        """Hash of the photos and of the terms under which they are graded: the same whoever works it out, and when."""
        said = "\0".join([terms, *(entry.key for entry in self.entries)])
        return hashlib.blake2b(said.encode("utf-8", "surrogatepass"), digest_size=8).hexdigest()


class Kit(WorkerPlugin):
    """Brings the work to a worker, once: limits and model by content, so that every worker judges alike.

    Args:
        name: Of this run.
        work: What is done; a model by folder or id is sent along.
    """

    def __init__(self, name: str, work: GradeWork | RegradeWork) -> None:
        self.name = name
        self._work = work
        self._model = _files(work.terms.model) if isinstance(work, GradeWork) or work.terms.model else {}

    def setup(self, worker: Worker) -> None:
        """Lays the model into the worker's own folder."""
        terms = self._work.terms
        if self._model:
            digest = hashlib.sha256(b"".join(self._model.values())).hexdigest()
            folder = Path(worker.local_directory) / f"wearvision-{digest[:16]}"
            _lay(folder, self._model)
            terms = replace(terms, model=str(folder))
        _HANDS[self.name] = _Hands(replace(self._work, terms=terms))

    def teardown(self, worker: Worker) -> None:
        """Ends the processes."""
        if hands := _HANDS.pop(self.name, None):
            hands.close()


class _Hands:
    """Processes for the threads of one Dask worker, each used by one task at a time."""

    def __init__(self, work: Any) -> None:
        self.work = work
        self._lock = threading.Lock()
        self._idle: list[Hand] = []
        self._all: list[Hand] = []

    @contextmanager
    def one(self) -> Iterator[Hand]:
        with self._lock:
            if not self._idle:
                self._idle.append(Hand(self.work))
                self._all.append(self._idle[-1])
            hand = self._idle.pop()
        try:
            yield hand
        finally:
            with self._lock:
                self._idle.append(hand)

    def close(self) -> None:
        for hand in self._all:
            hand.close()


_HANDS: dict[str, _Hands] = {}


def grade_batch(run: str, batch: Batch, name: str, parts: Parts) -> Tally | SetupError:
    """Grades the photos of a batch into a part file; what no retry can mend is given back, not raised.

    Args:
        run: Name of the ``Kit``.
        batch: The photos.
        name: Of the part file.
        parts: Where it goes.

    Raises:
        ResultsError: it cannot be written.
    """
    return _into_part(run, ((0, entry) for entry in batch.entries), name, parts)


def regrade_part(run: str, source: Parts, file: str, name: str, parts: Parts | None, chunk: int) -> Tally | SetupError:
    """Grades the results of a part file again into another; otherwise as ``grade_batch``.

    Args:
        run: Name of the ``Kit``.
        source: Where the earlier results are.
        file: Their file.
        name: Of the new part file.
        parts: Where it goes; None: the results are only counted.
        chunk: Results handed to a process at a time.

    Raises:
        ResultsError: a file cannot be read or written.
    """
    lines = list(source.lines(file))
    chunks = [b"".join(lines[at : at + chunk]) for at in range(0, len(lines), chunk)]
    return _into_part(run, ((0, one) for one in chunks), name, parts)


def _into_part(run: str, items: Iterator[Any], name: str, parts: Parts | None) -> Tally | SetupError:
    if run not in _HANDS:
        return BulkError("This worker has not been given the model; run the command again.")
    hands, tally, lines = _HANDS[run], Tally(), []
    try:
        with hands.one() as hand:
            for item in items:
                answer = ask_twice(hand, hands.work, item)
                tally.add(answer.facts)
                lines += answer.lines.splitlines(keepends=True)
    except SetupError as error:
        return error
    if parts is not None:
        parts.commit(name, lines)
    return tally


def _files(model: str | None) -> Mapping[str, bytes]:
    folder = ModelFolder.open(model)
    names = (*MODEL_FILES, *((FINDER,) if "finder" in folder.record else ()))
    return {name: (folder.path / name).read_bytes() for name in names}


def _lay(folder: Path, files: Mapping[str, bytes]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        if not (folder / name).is_file() or (folder / name).read_bytes() != data:
            (folder / name).write_bytes(data)
