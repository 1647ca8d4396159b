"""What is done to earlier results in a worker process: other limits without photos, another model with them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wearvision.bulk.entries import Entry, entry_of, is_remote, path_of
from wearvision.bulk.job import WORDY, Answer, Fact, Terms, grade_entries, json_line
from wearvision.errors import PhotoError, RegradeError, SetupError
from wearvision.network import ModelFolder
from wearvision.regrade import BEFORE, Regrader, with_basis

UNNAMED = "a line"
"""Name of what stands in a file of results and is none."""


@dataclass(frozen=True, slots=True)
class RegradeWork:
    """Grades earlier results again; an item is a number and lines of results.

    Attributes:
        terms: The limits; a model only where the one that made the results is not released, or to look again with.
        photos: Folder or address where the photos lie now, by their names; None: where they were.
    """

    terms: Terms
    photos: str | None = None

    @property
    def id(self) -> str:
        """Hash of what the new results depend on beside the earlier ones.

        Raises:
            ModelError: there is no such model.
        """
        model = None if self.terms.model is None else self.terms.id
        facts = [self.terms.limits.id, self.terms.limits.sha256, model, self.photos]
        return hashlib.sha256(json.dumps(facts).encode("utf-8", "surrogatepass")).hexdigest()[:16]

    @property
    def looks(self) -> bool:
        """True where photos may be looked at: that is worth a process for each core, and may end one."""
        return self.terms.model is not None or self.photos is not None

    def start(self) -> Callable[[tuple[int, bytes]], Answer]:
        """Loads the limits; model and network follow with the first result that needs them."""
        again = _Again(self)
        return lambda item: again.answer(item[1])

    def failed(self, item: tuple[int, bytes], code: str, message: str) -> Answer:
        """Results in place of those that could not be graded again."""
        return _joined([_unable(record_in(line), code, message) for line in item[1].splitlines()], self.id)


class _Again:
    """Limits, figures of models and, where photos are looked at, a grader; once a process."""

    def __init__(self, work: RegradeWork) -> None:
        self._work, self._id = work, work.id
        self._terms = work.terms
        self._regrader = Regrader(work.terms.limits, work.terms.model)
        self._grader: Any = None
        self._wanted = None if work.terms.model is None else ModelFolder.open(work.terms.model)

    def answer(self, lines: bytes) -> Answer:
        return _joined([self._one(record_in(line)) for line in lines.splitlines()], self._id)

    def _one(self, record: dict[str, Any]) -> tuple[dict[str, Any], Fact]:
        try:
            if "error" in record:
                return _unable(record, str(record["error"]["code"]), str(record["error"]["message"]))
            new = self._looked(record) if self._must_look(record) else self._regrader.regrade(record)
            before = new["before"]
            earlier = (before["grade"], tuple(before["possible_grades"] or ()))
        except (PhotoError, RegradeError, SetupError) as error:
            return _unable(record, error.code, str(error))
        except (KeyError, TypeError, AttributeError, ValueError) as error:  # lines may come from anywhere
            return _unable(record, RegradeError.code, f"This is no report of a photo ({error!r}).")
        return new, Fact(str(new["photo"]), new["grade"], tuple(new["possible_grades"]), before=earlier)

    def _must_look(self, record: Mapping[str, Any]) -> bool:
        """True where another model is to judge, or the report lacks what it needs and a photo may be asked."""
        made_by = record.get("model", {})
        wanted = None if self._wanted is None else self._wanted.record
        other = wanted is not None and any(made_by.get(key) != wanted[key] for key in ("id", "sha256"))
        return other or (bool(record.get("usable")) and not record.get("basis") and self._work.looks)

    def _looked(self, record: Mapping[str, Any]) -> dict[str, Any]:
        from wearvision.grade import Grader

        if self._grader is None:
            self._grader = Grader(self._terms.model, self._terms.limits)
        entry = self._entry(record)
        report = grade_entries(self._grader, [entry], self._terms.part)
        if report.sha256 != record.get("sha256"):
            raise RegradeError(f"{entry.name} is no longer the photo that was graded (other bytes).")
        new = {**with_basis(report), "photo": record["photo"]}
        kept = {name: value for name, value in new.items() if name in record or name not in WORDY}
        source = {"source": {**record["source"], **entry.to_dict()}} if "source" in record else {}
        return {**kept, **source, "before": {name: record.get(name) for name in BEFORE}}

    def _entry(self, record: Mapping[str, Any]) -> Entry:
        source = _source(record)
        there = self._work.photos
        if there is None:
            if "address" not in source:
                raise RegradeError(f"The result of {record.get('photo')} does not say where its photo lies (--photos).")
            return Entry(str(source["address"]), source.get("size"), str(source.get("version", "")))
        was = Entry(str(source.get("address", record.get("photo", ""))))
        name = path_of(was.address).name if not is_remote(was.address) else was.name
        if is_remote(there):
            inner, mark, outer = there.partition("::")
            return Entry(f"{inner.rstrip('/')}/{name}{mark}{outer}")
        return entry_of(Path(there) / name)


def record_in(line: bytes) -> dict[str, Any]:
    """The result in a line; empty where it holds none."""
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _unable(record: Mapping[str, Any], code: str, message: str) -> tuple[dict[str, Any], Fact]:
    """A result that says why there is none, beside what there was."""
    name = str(record.get("photo", UNNAMED))
    out: dict[str, Any] = {"photo": name, "usable": False, "error": {"code": code, "message": message}}
    if "error" not in record:
        out["before"] = {key: record.get(key) for key in BEFORE}
    if "source" in record:
        out["source"] = record["source"]
    return out, Fact(name, error=code, message=message)


def _joined(answers: list[tuple[dict[str, Any], Fact]], terms: str) -> Answer:
    lines = (json_line({**record, "source": {**_source(record), "terms": terms}}) for record, _ in answers)
    return Answer(b"".join(lines), tuple(fact for _, fact in answers))


def _source(record: Mapping[str, Any]) -> Mapping[str, Any]:
    source = record.get("source")
    return source if isinstance(source, Mapping) else {}
