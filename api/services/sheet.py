"""What an inspection's sheet says, in words: paper and page show the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from wearvision.bars import headline, views_wanted
from wearvision.parts import PARTS
from wearvision.standard import CAUTIONS, DEFERENCE, Checks, Grade, Limits, Row
from wearvision_api.house import House
from wearvision_api.services import grading, inspecting, machines, walking
from wearvision_api.services.due import Due
from wearvision_api.store.tables import GradeRow, Inspection, now
from wearvision_api.trust import asking

UNMEASURED = {
    "not_in_view": "not in view",
    "not_resolvable": "too small in the picture",
    "no_nominal": "its shape when new is not known",
    "clean_first": "clean first",
    "glare": "glare",
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One measure against its limits, as text; ``grade`` is what it alone says."""

    title: str
    value: str
    limits: str
    grade: Grade | None
    note: str


@dataclass(frozen=True, slots=True)
class HandCheck:
    """The newest reading of a hand check."""

    title: str
    entered: str
    says: str


@dataclass(frozen=True, slots=True)
class PartSeen:
    """One part as it was graded.

    Attributes:
        grade_id: Of the record, for its pictures.
        title: The part.
        at: When.
        by: Who.
        grade: The grade that holds.
        words: That grade with its doubt, without a mark.
        standing: How far it is confirmed.
        remarks: Verdict, wiping, override, what the photos could not show, each with its heading.
        done: What was done with it; empty where nothing is recorded.
        measures: Against the limits that were in force.
        readings: Hand checks.
        pictures: Blobs of the outlined pictures; those of erased photos are gone.
        shown: The number that each of them has in the grade.
    """

    grade_id: str
    title: str
    at: datetime
    by: str
    grade: Grade | None
    words: str
    standing: str
    remarks: tuple[tuple[str, str], ...]
    done: str
    measures: tuple[Measured, ...]
    readings: tuple[HandCheck, ...]
    pictures: tuple[str, ...]
    shown: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """An inspection for paper or page; moments are in UTC.

    Attributes:
        id: Of the inspection.
        machine: The machine's identifier.
        description: Of the machine.
        facts: Heading and text of what stands at the top.
        notes: As entered.
        parts: What was graded.
        settings: Name and value.
        causes: What may have ruined the parts, with the finding.
        parts_used: Quantity and description.
        walks: Where it was started from, and each step with its answer.
        due: The next service.
        deference: Who wins over this sheet.
        cautions: For the whole job.
        basis: Models and limits that the grades stand on.
    """

    id: str
    machine: str
    description: str
    facts: tuple[tuple[str, str], ...]
    notes: str
    parts: tuple[PartSeen, ...]
    settings: tuple[tuple[str, str], ...]
    causes: tuple[inspecting.CauseToLookAt, ...]
    parts_used: tuple[tuple[str, str], ...]
    walks: tuple[walking.Walked, ...]
    due: Due
    deference: str
    cautions: tuple[str, ...]
    basis: tuple[str, ...]


def sheet_of(house: House, session: Session, row: Inspection) -> Sheet:
    """Gathers an inspection's sheet."""
    total = machines.running(row.machine)
    used = [line.body for line in row.entries if line.kind == "part"]
    return Sheet(
        id=row.id,
        machine=row.machine.identifier,
        description=row.machine.description,
        facts=_facts(row, total.get(row.id)),
        notes=row.notes,
        parts=tuple(part_seen(one, house.grader.limits, house.checks) for one in row.grades),
        settings=tuple(
            (line.body["name"], f"{line.body['value']:g} {line.body['unit']}".strip())
            for line in row.entries
            if line.kind == "setting"
        ),
        causes=tuple(inspecting.causes(row)),
        parts_used=tuple((f"{one['quantity']:g}", _used(one)) for one in used),
        walks=tuple(walking.walked(one) for one in walking.of_inspection(session, row.id)),
        due=machines.due(session, row.machine, row.closed_at),
        deference=DEFERENCE,
        cautions=tuple(CAUTIONS),
        basis=_basis(row),
    )


def _facts(row: Inspection, run: float | None) -> tuple[tuple[str, str], ...]:
    hours = "not read" if row.hours is None else f"{row.hours:g} h"
    if run is not None and run != row.hours:
        hours += f" ({run:g} h run in all)"
    kind = "service" if row.serviced else "visit, not the service"
    return (
        ("Begun", moment(row.begun_at)),
        ("Closed", moment(row.closed_at) if row.closed_at else "still open"),
        ("Hour meter", hours),
        ("By", row.owner.name),
        ("Kind", kind if row.closed_at else "open visit"),
        ("Sheet made", moment(now())),
    )


def moment(at: datetime) -> str:
    """A moment for people, to the minute."""
    return f"{at:%Y-%m-%d %H:%M} UTC"


def _used(body: Mapping[str, Any]) -> str:
    part = PARTS.get(body["part"] or "")
    return f"{body['description']} ({part.title})" if part else str(body["description"])


def _basis(row: Inspection) -> tuple[str, ...]:
    """Each model and each table of limits once."""
    lines: dict[str, None] = {}
    for kind in ("model", "limits"):
        for grade in row.grades:
            said = grade.report[kind]
            lines[f"{kind.capitalize()} {said.get('id', 'unknown')}, SHA-256 {str(said.get('sha256', ''))[:16]}"] = None
    return tuple(lines)


def part_seen(row: GradeRow, limits: Limits, checks: Checks) -> PartSeen:
    """One grade in words.

    Args:
        row: The grade.
        limits: Those in force now; shown only where the grade was made under the same.
        checks: For the titles of hand checks.
    """
    report, held = row.report, grading.holds(row)
    part = PARTS.get(row.part or "")
    seen = row.grade == held and grading.standing(row) == "photo only"
    words = headline(held, tuple(report["possible_grades"]) if seen else (), tuple(report["views_missing"]))
    same = report["limits"].get("sha256") == limits.sha256
    newest = {one.check: one for one in row.readings}
    return PartSeen(
        grade_id=row.id,
        title=part.title if part else "no part recognised",
        at=row.created_at,
        by=row.owner.name,
        grade=held,
        words=words.partition(" ")[2] if held else words,
        standing=grading.standing(row),
        remarks=tuple(_remarks(row, checks)),
        done=_done(row),
        measures=tuple(_measured(line, str(row.part), limits if same else None) for line in report["measures"]),
        readings=tuple(
            HandCheck(
                checks.rows[name].title if name in checks.rows else name, one.finding["entered"], one.finding["text"]
            )
            for name, one in newest.items()
        ),
        pictures=tuple(one["outlined"] for one in row.pictures if "erased" not in one),
        shown=tuple(number for number, one in enumerate(row.pictures) if "erased" not in one),
    )


def _remarks(row: GradeRow, checks: Checks) -> list[tuple[str, str]]:
    report = row.report
    found = []
    if report["refusal"]:
        found.append(("Not judged", str(report["refusal"])))
    found += [("Photo", str(one["advice"])) for one in report["faults"]]
    found += [("Photo", f"erased on {day}") for day in grading.erased_on(row)]
    if row.override is not None:
        said = row.override
        found.append(("By eye", f"{said['grade']}: {said['reason']} ({said['by']})"))
    if row.grade is not None and grading.holds(row) != row.grade:
        found.append(("The photo alone", str(row.grade)))
    wanted = asking.wanted_of(row, checks)
    if wanted is not None and wanted.checks:
        titles = ", ".join(checks.rows[name].title for name in wanted.checks)
        found.append(("Hand check asked for", f"{titles}. {wanted.reason}"))
    if row.verdict is not None:
        found.append(("Hand checks", _titled(row.verdict, checks)))
    if row.wiping is not None:
        found.append(("After wiping", str(row.wiping["reason"])))
    if report["views_missing"]:
        found.append(("Still to see", ", ".join(views_wanted(report["views_missing"]))))
    if report["not_seen"]:
        found.append(("Not seen", ", ".join(report["not_seen"])))
    return found


def _titled(verdict: Mapping[str, Any], checks: Checks) -> str:
    """The verdict's reason, with the titles of checks for their ids."""
    reason = str(verdict["reason"])
    for name in verdict["missing"]:
        if name in checks.rows:
            reason = reason.replace(name, f"'{checks.rows[name].title}'")
    return reason


def _done(row: GradeRow) -> str:
    if row.outcome is None:
        return ""
    note = row.outcome.get("note")
    return f"{row.outcome['done']}. {note}" if note else str(row.outcome["done"])


def _measured(line: Mapping[str, Any], part: str, limits: Limits | None) -> Measured:
    titles = {mode.measure: mode.title for mode in PARTS[part].modes} if part in PARTS else {}
    against = limits_text(limits.row(part, line["name"])) if limits else "other limits were in force"
    return measured(line, titles.get(line["name"], line["name"]), against)


def measured(line: Mapping[str, Any], title: str, limits: str) -> Measured:
    """A report's measure in words.

    Args:
        line: As the report has it.
        title: For people.
        limits: As ``limits_text`` gives them.
    """
    unit = "" if line.get("unit", "1") == "1" else f" {line['unit']}"
    if line["value"] is None:
        value = f"not measured: {UNMEASURED.get(line['reason'], line['reason'])}"
    elif line.get("low") is None:
        value = f"{line['value']:.2g}{unit}"
    else:
        value = f"{line['value']:.2f} ({line['low']:.2f} to {line['high']:.2f}){unit}"
    return Measured(title, value, limits, line.get("grade"), line.get("note", ""))


def limits_text(row: Row) -> str:
    """The limits of a measure, as a row of the wear standard has them."""
    if row.any_is_replace:
        return f"none seen < {row.serviceable_below:g}; any: replace"
    pieces = [f"serviceable < {row.serviceable_below:g}"]
    if row.clean_from is not None:
        upto = f" to {row.clean_to:g}" if row.clean_to is not None else ""
        pieces.append(f"clean {'≥ ' if not upto else ''}{row.clean_from:g}{upto}")
    if row.replace_from is not None:
        pieces.append(f"replace ≥ {row.replace_from:g}")
    return "; ".join(pieces)
