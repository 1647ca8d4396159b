"""``examples.csv`` of a labelled folder: written flat for spreadsheets, and read where it is all there is."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from wearvision.labels.label import Label, LabelError
from wearvision.labels.labelled import TABLE, FolderError
from wearvision.labels.settling import settle
from wearvision.labels.truth import Given, Truth
from wearvision.measure.result import Measured, Outcome
from wearvision.parts import PARTS
from wearvision.standard.limits import Limits

MEASURES = tuple(dict.fromkeys(mode.measure for spec in PARTS.values() for mode in spec.modes))
"""Every measure of every part, each once; each has four columns: best value, ``_low``, ``_high``, ``_source``."""

_ENDS = ("", "_low", "_high", "_source")
_FIXED = (
    "file", "sha256", "machine", "group", "split", "at_random", "part", "view", "fit", "faults", "grade",
    "acceptable_grades", "rank", "at_least_grade", "at_least_modes",
)  # fmt: skip
_BY_HAND = ("file", "machine", "capture", "part", "view", "fit", "faults", "grade", "at_random", "note")
_MOST_CELL = 2000
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_YES, _NO = {"1", "true", "yes"}, {"", "0", "false", "no"}


def table_of(lines: Iterable[Mapping[str, Any]]) -> str:
    """The flat table of the lines of ``examples.jsonl``. Lists in one cell are parted by ``;``.

    The name of a machine that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, [*_FIXED, *(f"{m}{end}" for m in MEASURES for end in _ENDS)], lineterminator="\n")
    writer.writeheader()
    for line in lines:
        writer.writerow(_flat(line))
    return out.getvalue()


def _flat(line: Mapping[str, Any]) -> dict[str, Any]:
    truth = line["truth"]
    row: dict[str, Any] = {key: line[key] for key in ("file", "sha256", "machine", "group", "split")}
    row["machine"] = f"'{row['machine']}" if row["machine"].startswith(_FORMULA) else row["machine"]
    row |= {key: truth[key] for key in ("part", "view", "grade", "rank")}
    row |= {"at_random": int(line["at_random"]), "fit": int(truth["fit"])}
    row |= {key: ";".join(truth[key]) for key in ("faults", "acceptable_grades")}
    if truth["at_least"]:
        row |= {"at_least_grade": truth["at_least"]["grade"], "at_least_modes": ";".join(truth["at_least"]["modes"])}
    for measure, bound in truth["bounds"].items():
        row |= {f"{measure}{end}": bound[end[1:] or "value"] for end in _ENDS}
    return row


def rows_by_hand(text: str, limits: Limits) -> Iterator[tuple[int, Mapping[str, str], Truth]]:
    """The rows of a table that was made by hand: line, cells, and the truth that one label like that gives.

    Args:
        text: Parted by commas or semicolons; the first line names the columns.
        limits: Those in force.

    Raises:
        FolderError: a column isn't known or a cell is wrong; it names the line.
    """
    head = text.split("\n", 1)[0]
    reader = csv.reader(io.StringIO(text), delimiter=";" if ";" in head and "," not in head else ",", strict=True)
    columns: Sequence[str] | None = None
    try:
        for cells in reader:
            line = reader.line_num
            if columns is None:
                columns = _columns(cells)
            elif any(cell.strip() for cell in cells):
                row = _row(columns, cells, line)
                yield line, row, _truth(row, line, limits)
    except csv.Error as error:
        raise FolderError(TABLE, f"{error}.", reader.line_num) from None
    if columns is None:
        raise FolderError(TABLE, "is empty; its first line names the columns.")


def _columns(cells: Sequence[str]) -> Sequence[str]:
    names = [cell.strip().casefold() for cell in cells]
    known = {*_BY_HAND, *(f"{m}{end}" for m in MEASURES for end in _ENDS)}
    for name in names:
        if name not in known:
            raise FolderError(TABLE, f"column {name!r:.60} is not known; known are {', '.join(_BY_HAND)}, measures.", 1)
    if doubled := [name for name in names if names.count(name) > 1]:
        raise FolderError(TABLE, f"column {doubled[0]!r} stands there twice.", 1)
    if missing := [name for name in ("file", "part") if name not in names]:
        raise FolderError(TABLE, f"column {missing[0]!r} is missing.", 1)
    return names


def _row(columns: Sequence[str], cells: Sequence[str], line: int) -> dict[str, str]:
    if len(cells) != len(columns):
        raise FolderError(TABLE, f"has {len(cells)} cells, not {len(columns)}.", line)
    if any(len(cell) > _MOST_CELL for cell in cells):
        raise FolderError(TABLE, f"a cell has more than {_MOST_CELL} characters.", line)
    return {name: cell.strip() for name, cell in zip(columns, cells, strict=True)}


def _truth(row: Mapping[str, str], line: int, limits: Limits) -> Truth:
    faults = [fault for fault in row.get("faults", "").replace(";", " ").split() if fault]
    body = {
        "part": row["part"],
        "view": row.get("view") or _only_view(row["part"]),
        "fit": yes(row.get("fit", "") or ("0" if faults else "1"), "fit", line),
        "faults": faults,
        "grade": row.get("grade") or None,
        "note": row.get("note", ""),
    }
    try:
        label = Label.read(body, limits)
        found = settle([Given("folder", 1, label, _measured(row, label, line))], (), limits)
    except LabelError as error:
        raise FolderError(TABLE, str(error), line) from None
    if not isinstance(found, Truth):
        raise TypeError("one label disputes nothing")
    return found


def _only_view(part: str) -> str | None:
    """The view where the part has one only."""
    views = PARTS[part].views if part in PARTS else ()
    return views[0] if len(views) == 1 else None


def _measured(row: Mapping[str, str], label: Label, line: int) -> dict[str, Outcome]:
    found: dict[str, Outcome] = {}
    spec = PARTS.get(label.part)
    own = {mode.measure for mode in spec.modes if label.view in mode.views} if spec else set()
    for measure in MEASURES:
        cells = [row.get(f"{measure}{end}", "") for end in ("", "_low", "_high")]
        if not any(cells):
            continue
        if measure not in own:
            raise FolderError(TABLE, f"{measure} is no measure of the {label.view} view of {label.part}.", line)
        value, low, high = (None if not cell else _number(measure, cell, line) for cell in cells)
        if value is None and (low is None or high is None):
            raise FolderError(TABLE, f"{measure} needs a value, or a low and a high end.", line)
        best = value if value is not None else ((low or 0.0) + (high or 0.0)) / 2
        ends = best if low is None else low, best if high is None else high
        if not ends[0] <= best <= ends[1]:
            raise FolderError(TABLE, f"{measure}: {best:g} doesn't lie from {ends[0]:g} to {ends[1]:g}.", line)
        found[measure] = Measured(best, *ends)
    return found


def _number(measure: str, cell: str, line: int) -> float:
    try:
        number = float(cell)
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or number < 0:
        raise FolderError(TABLE, f"{measure} must be a number from 0 up, is {cell!r:.40}.", line)
    return number


def yes(cell: str, name: str, line: int) -> bool:
    """A cell that says yes or no; empty is no.

    Raises:
        FolderError: it says neither.
    """
    word = cell.casefold()
    if word not in _YES | _NO:
        raise FolderError(TABLE, f"{name} must be 1 or 0, is {cell!r:.40}.", line)
    return word in _YES


__all__ = ["MEASURES", "rows_by_hand", "table_of", "yes"]
