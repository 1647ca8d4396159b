"""What the first page, the form for photos, lists of grades and pages of problems show."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision.standard.grades import Grade
from wearvision_api.accounts.roles import Caller
from wearvision_api.pages.visit_contexts import MachineLine
from wearvision_api.services import grading, inspecting
from wearvision_api.services.sheet import moment
from wearvision_api.store.tables import GradeRow, new_id

PURPOSES = (
    ("as-removed", "As removed, before any cleaning"),
    ("after-wiping", "After wiping"),
    ("as-installed", "As installed"),
    ("other", "Other"),
)
OPEN_VISITS = 50


@dataclass(frozen=True, slots=True)
class GradeLine:
    """A grade in a list: address, part, the grade whose mark is shown (none in doubt), words, when."""

    href: str
    title: str
    grade: Grade | None
    word: str
    when: str


@dataclass(frozen=True, slots=True)
class HomeContext:
    """The first page.

    Attributes:
        fresh: Id for the grade that the camera's form makes.
        grades: The newest ones.
        machines: The newest ones; empty where the caller may not see any.
        may_write: Whether the camera is shown.
        returns: Address, title and number of what waits at the returns desk; empty where the caller may not see it.
        may_take_in: Whether the caller may take a return in.
    """

    fresh: str
    grades: tuple[GradeLine, ...]
    machines: tuple[MachineLine, ...]
    may_write: bool
    returns: tuple[tuple[str, str, int], ...]
    may_take_in: bool


@dataclass(frozen=True, slots=True)
class GradesContext:
    """A list of grades, and the cursor of the next page; empty on the last."""

    grades: tuple[GradeLine, ...]
    next: str


@dataclass(frozen=True, slots=True)
class FormContext:
    """The form for photos of one part.

    Attributes:
        fresh: Id for the grade that it makes.
        part: Chosen before; empty for none.
        parts: Key, title and how to photograph it.
        purposes: Value and label.
        inspection: Chosen before; empty for none.
        visits: Open visits: id and label.
        beside: Whether a photo of the same part when new is asked for, too.
        fault: Why nothing was sent; empty at first.
    """

    fresh: str
    part: str
    parts: tuple[tuple[str, str, tuple[str, ...]], ...]
    purposes: tuple[tuple[str, str], ...]
    inspection: str
    visits: tuple[tuple[str, str], ...]
    beside: bool
    fault: str


@dataclass(frozen=True, slots=True)
class ProblemContext:
    """What went wrong: status, title, what to do, and where to go on."""

    status: int
    title: str
    detail: str
    href: str
    way: str


def grade_line(row: GradeRow) -> GradeLine:
    """A grade in a list; doubt that the photo leaves is said."""
    held = grading.holds(row)
    title = PARTS[row.part].title.capitalize() if row.part in PARTS else "No part recognised"
    word = held.capitalize() if held else "No grade"
    worst = row.report["possible_grades"][-1:] if grading.standing(row) == "photo only" else []
    if held and worst and worst != [held]:
        return GradeLine(f"/grades/{row.id}", title, None, f"{word}, {worst[0]} possible", moment(row.created_at))
    return GradeLine(f"/grades/{row.id}", title, held, word, moment(row.created_at))


def form_context(
    session: Session, who: Caller, part: str, inspection: str, *, beside: bool, fault: str = ""
) -> FormContext:
    """The form, with what was chosen before."""
    visits = []
    if who.may("inspections:read"):
        query = inspecting.listed(open_only=True)
        for row in session.scalars(query.limit(OPEN_VISITS)).all():
            visits.append((row.id, f"{row.machine.identifier}, {moment(row.begun_at)}"))
    return FormContext(
        fresh=new_id(),
        part=part if part in PARTS else "",
        parts=tuple((key, spec.title.capitalize(), spec.advice) for key, spec in PARTS.items()),
        purposes=PURPOSES,
        inspection=inspection if any(key == inspection for key, _ in visits) else "",
        visits=tuple(visits),
        beside=beside,
        fault=fault,
    )
