"""An inspection as a table for a spreadsheet (RFC 4180)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

from wearvision_api.services import grading
from wearvision_api.store.tables import GradeRow, Inspection

COLUMNS = (
    *("machine", "inspection", "record", "id", "at", "by", "part"),
    *("name", "value", "low", "high", "unit", "grade", "text"),
)
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""How a cell begins that a spreadsheet would run."""


def safe(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that begins like one gets an apostrophe in front.

    Source: the usual advice against formula injection in exports; numbers stay numbers.
    """
    if isinstance(cell, str) and cell.lstrip(" ").startswith(FORMULA):
        return f"'{cell}"
    return cell


def csv_of(row: Inspection) -> str:
    """One line a record: the visit, each grade with its measures and readings, settings, causes, parts used.

    Lines end with CR LF and the first one names the columns, as RFC 4180 has it.
    """
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for record in _records(row):
        given = {name: safe(value) for name, value in record.items() if value is not None}
        writer.writerow({"machine": safe(row.machine.identifier), "inspection": row.id} | given)
    return out.getvalue()


def _records(row: Inspection) -> Iterator[dict[str, Any]]:
    yield {
        "record": "inspection",
        "id": row.id,
        "at": _stamp(row.begun_at),
        "by": row.owner.name,
        "name": "hour meter",
        "value": row.hours,
        "unit": "h" if row.hours is not None else "",
        "text": row.notes,
    }
    for grade in row.grades:
        yield from _grade(grade)
    for line in row.entries:
        base = {"id": line.id, "at": _stamp(line.created_at)}
        body = line.body
        if line.kind == "setting":
            yield base | {"record": "setting", "name": body["name"], "value": body["value"], "unit": body["unit"]}
        elif line.kind == "cause":
            yield base | {"record": "cause", "name": body["cause"], "value": body["finding"], "text": body["note"]}
        else:
            said = {"name": body["description"], "value": body["quantity"], "part": body["part"]}
            yield base | {"record": "part used"} | said


def _grade(row: GradeRow) -> Iterator[dict[str, Any]]:
    base = {"id": row.id, "at": _stamp(row.created_at), "by": row.owner.name, "part": row.part}
    report = row.report
    possible = ", ".join(report["possible_grades"])
    yield base | {
        "record": "grade",
        "name": "photo",
        "grade": row.grade,
        "text": f"possible: {possible}" if possible else report["refusal"] or "not judged",
    }
    yield base | {"record": "grade", "name": "holds", "grade": grading.holds(row), "text": grading.standing(row)}
    for line in report["measures"]:
        yield base | {
            "record": "measure",
            "name": line["name"],
            **{name: line.get(name) for name in ("value", "low", "high", "unit", "grade")},
            "text": line.get("note") or line.get("reason"),
        }
    for one in row.readings:
        yield base | {
            "record": "reading",
            "id": one.id,
            "at": _stamp(one.created_at),
            "name": one.check,
            "value": one.finding["entered"],
            "text": one.finding["text"],
        }
    if row.override is not None:
        yield base | {"record": "override", "grade": row.override["grade"], "text": row.override["reason"]}
    if row.outcome is not None:
        yield base | {"record": "outcome", "value": row.outcome["done"], "text": row.outcome.get("note")}


def _stamp(moment: Any) -> str:
    return str(moment.isoformat().replace("+00:00", "Z"))
