"""What the pages of machines and inspections show; words and marks are chosen here, none in the templates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from markupsafe import Markup

from wearvision.parts import PARTS
from wearvision_api.pages.plot import outlook, plot
from wearvision_api.services.due import Due
from wearvision_api.services.history import Series
from wearvision_api.services.inspecting import FINDINGS, CauseToLookAt
from wearvision_api.services.sheet import PartSeen, Sheet, moment
from wearvision_api.store.tables import Inspection, Machine, new_id

SETTINGS = (
    ("spark gap", "mm"),
    ("tip height", "mm"),
    ("reach", "mm"),
    ("pump pressure", "bar"),
    ("smoke spot number", ""),
    ("CO2", "%"),
    ("O2", "%"),
    ("draft over fire", "Pa"),
    ("supply voltage under load", "V"),
)
"""Settings offered by name, common practice; any other may be typed."""
DUE_WORDS = {"unknown": "not known yet", "not due": "not due", "due": "due now"}


@dataclass(frozen=True, slots=True)
class MachineLine:
    """A machine in the list: its address, identifier, description, hour meter and next service in words."""

    href: str
    identifier: str
    description: str
    hours: str
    due: str
    is_due: bool


@dataclass(frozen=True, slots=True)
class MachinesContext:
    """The list of machines.

    Attributes:
        machines: One line each, newest first.
        next: Cursor of the next page; empty on the last.
        may_write: Whether the form to take one in is shown.
        fresh: Id for the record that the form makes, so that a second press makes no second one.
        hours: Default of running hours between services.
        days: Default of days between services.
    """

    machines: tuple[MachineLine, ...]
    next: str
    may_write: bool
    fresh: str
    hours: int
    days: int


@dataclass(frozen=True, slots=True)
class ReferenceLine:
    """A part's photo as installed: key and title of the part, address of a small copy, empty where there is none."""

    part: str
    title: str
    photo: str
    kept: str


@dataclass(frozen=True, slots=True)
class VisitLine:
    """A visit in a machine's list."""

    href: str
    when: str
    hours: str
    state: str
    grades: str


@dataclass(frozen=True, slots=True)
class MeasureHistory:
    """One measure over running hours.

    Attributes:
        title: Part and mode.
        plot: The picture, SVG; empty where there is one visit only.
        rows: Hours, day, value with interval, and what the part had been through, newest last.
        outlook: When the limit is reached, or why that is not said.
    """

    title: str
    plot: Markup
    rows: tuple[tuple[str, str, str, str], ...]
    outlook: str


@dataclass(frozen=True, slots=True)
class MachineContext:
    """A machine.

    Attributes:
        machine: The record's own values, for the form.
        version: For the form, so that a change by somebody else is not overwritten.
        due: Next service.
        due_word: In two or three words.
        hours: The hour meter in words.
        references: Parts as installed.
        visits: Newest first.
        history: Measures that were seen at a visit.
        may_write: Whether forms are shown.
        fresh: Id for the visit that the form begins.
    """

    machine: Machine
    version: int
    due: Due
    due_word: str
    hours: str
    references: tuple[ReferenceLine, ...]
    visits: tuple[VisitLine, ...]
    history: tuple[MeasureHistory, ...]
    may_write: bool
    fresh: str


@dataclass(frozen=True, slots=True)
class PartAtVisit:
    """A part at a visit: its key and title, what was graded, and where to photograph it."""

    key: str
    title: str
    seen: tuple[PartSeen, ...]
    photograph: str


@dataclass(frozen=True, slots=True)
class EnteredLine:
    """A line as it was entered, with the id by which it is struck."""

    id: str
    name: str
    value: str


@dataclass(frozen=True, slots=True)
class InspectionContext:
    """A visit.

    Attributes:
        sheet: What paper says too.
        path: Of the page.
        machine_href: Of the machine.
        start: Where a path from a symptom begins.
        hours: For the form; empty where the meter was not read.
        is_open: Whether anything can still be added.
        may_write: Whether forms are shown.
        parts: The registered parts, and what was photographed beside them.
        settings: Lines entered.
        parts_used: Lines entered.
        causes: To rule out, each with a fresh id for its form.
        findings: What looking at a cause can come to.
        names: Settings offered, with their unit.
        part_titles: Key and title of each part, for the choice.
        fresh: Ids for the forms, by name.
    """

    sheet: Sheet
    path: str
    machine_href: str
    start: str
    hours: str
    is_open: bool
    may_write: bool
    parts: tuple[PartAtVisit, ...]
    settings: tuple[EnteredLine, ...]
    parts_used: tuple[EnteredLine, ...]
    causes: tuple[tuple[CauseToLookAt, str], ...]
    findings: tuple[str, ...]
    names: tuple[tuple[str, str], ...]
    part_titles: tuple[tuple[str, str], ...]
    fresh: dict[str, str]


@dataclass(frozen=True, slots=True)
class SheetContext:
    """The printable page: the sheet, its address as PDF, and that of the visit."""

    sheet: Sheet
    pdf: str
    back: str


def machine_line(machine: Machine, due: Due) -> MachineLine:
    """A machine in the list."""
    return MachineLine(
        f"/machines/{machine.id}",
        machine.identifier,
        machine.description,
        hours_words(machine.hours),
        DUE_WORDS[due.state] if due.state != "not due" or due.expected is None else f"{due.expected:%Y-%m-%d}",
        due.state == "due",
    )


def hours_words(hours: float | None) -> str:
    """An hour meter's reading in words."""
    return "not read" if hours is None else f"{hours:g} h"


def reference_lines(machine: Machine) -> tuple[ReferenceLine, ...]:
    """Each part, with its photo as installed where there is one."""
    kept = {one.part: one for one in machine.references}
    lines = []
    for key, part in PARTS.items():
        one = kept.get(key)
        photo = f"/api/v1/photos/{one.photo_id}/content?width=320" if one else ""
        lines.append(ReferenceLine(key, part.title, photo, moment(one.kept_at) if one else ""))
    return tuple(lines)


def visit_line(row: Inspection) -> VisitLine:
    """A visit in a machine's list."""
    state = "open" if row.closed_at is None else "service" if row.serviced else "closed"
    titles = [PARTS[grade.part].title for grade in row.grades if grade.part in PARTS]
    return VisitLine(
        f"/inspections/{row.id}",
        moment(row.begun_at),
        hours_words(row.hours),
        state,
        ", ".join(dict.fromkeys(titles)) or "no parts graded",
    )


def measure_histories(series: Sequence[Series]) -> tuple[MeasureHistory, ...]:
    """One picture and table a measure; series of a part that was replaced stand in one picture with the next."""
    found = []
    for (key, measure), group in groupby(series, lambda one: (one.part, one.measure)):
        several = list(group)
        title = f"{PARTS[key].title.capitalize()}: {several[0].mode}"
        rows = []
        for one in several:
            for place, point in enumerate(one.points):
                event = f"first after it was {one.began}" if place == 0 and one.began != "first visit" else ""
                if one.ended and place == len(one.points) - 1:
                    event = f"{event}, then {one.ended}".removeprefix(", ")
                value = f"{point.value:.2f} ({point.low:.2f} to {point.high:.2f})"
                rows.append((f"{point.hours:g}", f"{point.at:%Y-%m-%d}", value, event))
        several_hours = len({point.hours for one in several for point in one.points}) > 1
        picture = plot(several, f"{title} over running hours", f"plot-{key}-{measure}") if several_hours else ""
        found.append(MeasureHistory(title, Markup(picture), tuple(rows), outlook(several[-1])))
    return tuple(found)


def inspection_context(row: Inspection, sheet: Sheet, *, may_write: bool) -> InspectionContext:
    """A visit's page."""
    is_open = row.closed_at is None
    lines = {kind: [one for one in row.entries if one.kind == kind] for kind in ("setting", "part")}
    grouped: dict[str, list[PartSeen]] = {key: [] for key in (*PARTS, "")}
    for grade, seen in zip(row.grades, sheet.parts, strict=True):
        grouped[grade.part or ""].append(seen)
    parts = [
        PartAtVisit(key, PARTS[key].title, tuple(grouped[key]), f"/grade?inspection={row.id}&part={key}")
        for key in PARTS
    ]
    if grouped[""]:
        unknown = f"/grade?inspection={row.id}"
        parts.append(PartAtVisit("", "Photos in which no part was recognised", tuple(grouped[""]), unknown))
    return InspectionContext(
        sheet=sheet,
        path=f"/inspections/{row.id}",
        machine_href=f"/machines/{row.machine_id}",
        start=f"/start?inspection={row.id}",
        hours="" if row.hours is None else f"{row.hours:g}",
        is_open=is_open,
        may_write=may_write,
        parts=tuple(parts),
        settings=tuple(
            EnteredLine(one.id, name, value)
            for one, (name, value) in zip(lines["setting"], sheet.settings, strict=True)
        ),
        parts_used=tuple(
            EnteredLine(one.id, what, count) for one, (count, what) in zip(lines["part"], sheet.parts_used, strict=True)
        ),
        causes=tuple((cause, new_id()) for cause in sheet.causes),
        findings=FINDINGS,
        names=SETTINGS,
        part_titles=tuple((key, part.title) for key, part in PARTS.items()),
        fresh={name: new_id() for name in ("setting", "cause", "part", "close")},
    )
