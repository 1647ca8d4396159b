"""What is done to one photo or one earlier result in a worker process, and what comes back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from wearvision.bulk.entries import Entry, read_entry, shown
from wearvision.errors import BulkError, PhotoError
from wearvision.network import ModelFolder
from wearvision.regrade import with_basis
from wearvision.report import Report
from wearvision.standard import Limits

Item = tuple[Any, ...]
"""A number, and the entries of one part: mostly one."""
WORDY = ("checks", "causes")
"""Fields that are the same for many photos and follow from the others; a brief result leaves them out."""


@dataclass(frozen=True, slots=True)
class Fact:
    """What is counted of one result.

    Attributes:
        name: Of the photo, for people.
        grade: First grade; None: not judged.
        possible: Every possible grade.
        error: Code of the error; None: the photo was read.
        message: Of the error.
        before: Grade and possible grades of the earlier result; None where there was none.
    """

    name: str
    grade: str | None = None
    possible: tuple[str, ...] = ()
    error: str | None = None
    message: str = ""
    before: tuple[str | None, tuple[str, ...]] | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What comes back for one item: its lines of JSON, each with its line feed, and what is counted of them.

    ``report``, without its pictures, is only there where no lines are wanted.
    """

    lines: bytes
    facts: tuple[Fact, ...]
    report: Report | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Terms:
    """Under which terms photos are graded: results of the same terms can stand in one file.

    Attributes:
        model: Folder of the model, or the id of a released one; None: the default.
        limits: Limits in force.
        part: The part, if it is known.
        reference: Address of a photo of the part when new.
    """

    limits: Limits
    model: str | None = None
    part: str | None = None
    reference: Entry | None = None

    @property
    def id(self) -> str:
        """Hash of what a grade depends on: the program, model, calibration and limits by content, part, reference.

        Raises:
            ModelError: there is no such model.
        """
        from importlib.metadata import version

        folder = ModelFolder.open(self.model)
        facts = [
            version("wearvision"),
            folder.record["id"],
            folder.sha256,
            folder.record.get("calibration"),
            self.limits.id,
            self.limits.sha256,
            self.part,
            self.reference and self.reference.key,
        ]
        return hashlib.sha256(json.dumps(facts, sort_keys=True).encode("utf-8", "surrogatepass")).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class GradeWork:
    """Grades photos; an item is a number and an ``Entry``, or several of one part.

    Attributes:
        terms: How.
        id: What ``terms.id`` must be where the work is done, so that no other model or program answers; ``""``: any.
        form: ``"json"`` for lines, ``"report"`` for reports.
        brief: Leaves the fields ``WORDY`` out of lines.
        overlays: Folder for pictures that show why; None: none.
    """

    terms: Terms
    id: str = ""
    form: Literal["json", "report"] = "json"
    brief: bool = False
    overlays: str | None = None

    def start(self) -> Callable[[Item], Answer]:
        """Loads model and limits. BulkError where they are not the same as those of whoever asked."""
        from wearvision.grade import Grader
        from wearvision.photo import read_photo

        if self.id and (here := self.terms.id) != self.id:
            raise BulkError(
                f"The model or the program differs on this machine (terms {here}, asked for {self.id}); "
                "install the same version and model on every worker."
            )
        grader = Grader(self.terms.model, self.terms.limits)
        reference = self.terms.reference
        known = None if reference is None else read_photo(read_entry(reference))
        return lambda item: self._graded(grader, known, item)

    def failed(self, item: Item, code: str, message: str) -> Answer:
        """The result of a photo that could not be judged."""
        _, *entries = item
        name, message = ", ".join(shown(entry.address) for entry in entries), shown(message)
        record = {"photo": name, "usable": False, "error": {"code": code, "message": message}}
        return Answer(self.line(record, *entries), (Fact(name, error=code, message=message),))

    def line(self, record: Mapping[str, Any], *entries: Entry) -> bytes:
        """One line of results: the record and, for one photo, where it comes from."""
        if self.form != "json":
            return b""
        terms = {"terms": self.id} if self.id else {}
        source = {"source": {**entries[0].to_dict(), **terms}} if len(entries) == 1 else {}
        return json_line({**record, **source})

    def _graded(self, grader: Any, known: Any, item: Item) -> Answer:
        number, *entries = item
        try:
            report = grade_entries(grader, entries, self.terms.part, known)
        except PhotoError as error:
            return self.failed(item, error.code, str(error))
        if self.overlays is not None:
            write_overlays(report, grader.limits, Path(self.overlays), number)
        fact = Fact(report.photo, report.grade, report.possible_grades)
        if self.form == "report":
            return Answer(b"", (fact,), replace(report, pictures=()))
        record = with_basis(report)
        if self.brief:
            record = {name: value for name, value in record.items() if name not in WORDY}
        return Answer(self.line(record, *entries), (fact,))


def grade_entries(grader: Any, entries: Sequence[Entry], part: str | None = None, known: Any = None) -> Report:
    """The report of listed photos of one part, under their own names.

    Raises:
        PhotoError: one cannot be read.
    """
    report: Report = grader.grade_part([_source(entry) for entry in entries], part, known)
    return replace(report, photo=shown(report.photo))


def _source(entry: Entry) -> Any:
    """What a grader takes: a path, or a photo that was read from a store and keeps its name."""
    from wearvision.photo import read_photo

    source = read_entry(entry)
    if isinstance(source, Path):
        return source
    try:
        return replace(read_photo(source), name=entry.name)
    except PhotoError as error:
        raise type(error)(str(error).replace("<bytes>", entry.name)) from error


def write_overlays(report: Report, limits: Limits, folder: Path, number: int) -> None:
    """Writes the pictures that show why, named by the photo's number in the list and its name."""
    from PIL import Image

    from wearvision.overlay import overlay

    folder.mkdir(parents=True, exist_ok=True)
    for index, picture in enumerate(report.pictures):
        # The numbers keep apart photos of one name from several folders.
        which = f"{number + 1:03d}" + (f"-{index + 1}" if len(report.pictures) > 1 else "")
        path = folder / f"{which}-{Path(picture.name).stem}.png"
        Image.fromarray(overlay(report, limits, number=index)).save(path)


def json_line(record: Mapping[str, Any]) -> bytes:
    """One object as a line of UTF-8 with its line feed."""
    return json.dumps(record, ensure_ascii=False).encode("utf-8") + b"\n"
