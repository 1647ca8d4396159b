"""What the page of a grade shows; words and marks are chosen here, none in the templates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from wearvision.bars import bar, views_wanted
from wearvision.parts import PARTS, PartSpec
from wearvision.report import MeasureLine
from wearvision.standard import CAUTIONS, DEFERENCE, GRADES
from wearvision.standard.grades import Grade
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.pages.check_contexts import CheckView, Mistake, check_views
from wearvision_api.pages.teach_view import TeachView
from wearvision_api.pages.units import System
from wearvision_api.services import grading
from wearvision_api.services.sheet import moment, part_seen
from wearvision_api.store.tables import GradeRow, new_id
from wearvision_api.trust import asking

STANDINGS = {
    "photo only": "By the photo only: let the hand checks decide",
    "confirmed": "Confirmed by hand checks",
    "overridden": "Overridden by a hand check",
    "contradicted": "Contradicted by hand checks: look again",
    "overridden by eye": "Graded by eye",
}
_AT_RESTART = ("reset", "restart", "jumpered")
"""Words of the cautions that belong to fitting and starting again; all others stand before the hand checks."""


@dataclass(frozen=True, slots=True)
class VerdictView:
    """A grade that holds: itself, its word, the doubt that belongs to it, and how far it is confirmed."""

    grade: Grade | None
    word: str
    doubt: str
    standing: str


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of a bar in which one grade holds, in percent of its length; room for a mark or not."""

    start: float
    width: float
    grade: Grade

    @property
    def has_room(self) -> bool:
        """Whether its mark fits in on a phone."""
        return self.width >= 9


@dataclass(frozen=True, slots=True)
class BarView:
    """A bar: zones, and value and interval in percent as text; empty where nothing was measured."""

    zones: tuple[Zone, ...]
    low: str = ""
    value: str = ""
    high: str = ""


@dataclass(frozen=True, slots=True)
class MeasureView:
    """One measure: what it is, its value with interval, its limits, what it says, and the bar."""

    title: str
    value: str
    limits: str
    note: str
    grade: Grade | None
    bar: BarView | None


@dataclass(frozen=True, slots=True)
class PictureView:
    """One judged picture, plain and with outlines."""

    plain: str
    outlined: str
    caption: str


@dataclass(frozen=True, slots=True)
class WipingView:
    """The pair before and after wiping: addresses, and what it tells."""

    before: str
    after: str
    grade: Grade
    reason: str


@dataclass(frozen=True, slots=True)
class GradeContext:
    """The page of one grade.

    Attributes:
        path: Of the page.
        title: The part, or that none was recognised.
        at: When it was graded.
        by: Who graded it.
        model: Id of the model that did.
        verdict: What holds now.
        reason: Why the hand checks came to that; empty without readings.
        notes: Remarks of the verdict, and which photos were erased.
        missing: Checks still needed: id and title.
        photo_says: The photo's own grade where another one holds.
        deference: Who wins over this page.
        pictures: What was judged.
        refusal: Why no part was recognised.
        faults: What mends each fault of the photo.
        advice: How to photograph this part.
        retake: Where to photograph it anew.
        is_usable: Whether the photos could be judged.
        measures: Each against its limits.
        settings: Name and value of what a scale made measurable.
        views: Views still missing until the part is cleared.
        not_seen: What these photos could have shown and did not.
        before: Cautions for the hand checks.
        asked: Why a hand check is asked for; empty where none is, or a verdict holds.
        wanted: The checks asked for: id and title.
        checks: Hand checks for this grade.
        more_checks: The part's other ones.
        causes: What ruins such a part.
        is_wipeable: Whether a pair of photos before and after wiping tells something here.
        wiping: That pair, once there.
        grades: Grades that may be given by eye.
        override: What was said by eye: grade, reason, by, at.
        outcomes: What can have been done.
        outcome: What was done: done, note, by, at.
        restart: Cautions for fitting and starting again.
        visit: Address of the inspection; empty for none.
        parts: Key and title of the parts, to grade these photos as another one.
        may_write: Whether forms are shown.
        may_keep: Whether a photo may be kept as the machine's reference.
        teach: Whether the photos may teach; None where the caller has no say in it.
        fresh: Ids for the forms, by name.
    """

    path: str
    title: str
    at: str
    by: str
    model: str
    verdict: VerdictView
    reason: str
    notes: tuple[str, ...]
    missing: tuple[tuple[str, str], ...]
    photo_says: str
    deference: str
    pictures: tuple[PictureView, ...]
    refusal: str
    faults: tuple[str, ...]
    advice: tuple[str, ...]
    retake: str
    is_usable: bool
    measures: tuple[MeasureView, ...]
    settings: tuple[tuple[str, str], ...]
    views: tuple[str, ...]
    not_seen: tuple[str, ...]
    before: tuple[str, ...]
    asked: str
    wanted: tuple[tuple[str, str], ...]
    checks: tuple[CheckView, ...]
    more_checks: tuple[CheckView, ...]
    causes: tuple[Mapping[str, Any], ...]
    is_wipeable: bool
    wiping: WipingView | None
    grades: tuple[Grade, ...]
    override: Mapping[str, str] | None
    outcomes: tuple[str, ...]
    outcome: Mapping[str, str] | None
    restart: tuple[str, ...]
    visit: str
    parts: tuple[tuple[str, str], ...]
    may_write: bool
    may_keep: bool
    teach: TeachView | None
    fresh: Mapping[str, str]


def verdict_view(row: GradeRow) -> VerdictView:
    """The grade that holds, in words; never *serviceable* alone where another grade is possible."""
    held, standing = grading.holds(row), grading.standing(row)
    if held is None:
        return VerdictView(None, "No grade", "", "The photos could not be judged")
    views = views_wanted(row.report["views_missing"])
    word = held.capitalize()
    if held == "serviceable" and views:
        word += f" so far, still to see: {', '.join(views)}"
    possible = row.report["possible_grades"] if standing == "photo only" and held == row.grade else ()
    if standing == "photo only" and row.wiping is not None:
        possible = row.wiping["possible_grades"]
    others = [name for name in possible if name != held]
    doubt = f"In doubt: {' or '.join(others)} is possible, too." if others else ""
    return VerdictView(held, word, doubt, STANDINGS[standing])


def grade_context(
    house: House,
    row: GradeRow,
    after: GradeRow | None,
    who: Caller,
    system: System,
    mistake: Mistake | None = None,
    teach: TeachView | None = None,
) -> GradeContext:
    """Gathers the page of a grade.

    Args:
        house: For limits and checks in force.
        row: The grade.
        after: The grade of the photo after wiping, if there is one.
        who: Who sees it.
        system: Units that readings are shown in.
        mistake: A reading that was just refused.
        teach: What is said of teaching.
    """
    report, spec = row.report, PARTS.get(row.part or "")
    verdict: Mapping[str, Any] = row.verdict or {}
    wanted = asking.wanted_of(row, house.checks)
    to_do = wanted.checks if wanted is not None else ()
    checks = check_views(house.checks, row, system, mistake, to_do)
    visit = f"&inspection={row.inspection_id}" if row.inspection_id else ""
    reason = str(verdict.get("reason", ""))
    missing = tuple(
        (key, house.checks.rows[key].title) for key in verdict.get("missing", ()) if key in house.checks.rows
    )
    for key, title in missing:
        reason = reason.replace(key, f"“{title}”")
    return GradeContext(
        path=f"/grades/{row.id}",
        title=spec.title.capitalize() if spec else "No part recognised",
        at=moment(row.created_at),
        by=row.owner.name,
        model=str(report["model"]["id"]),
        verdict=verdict_view(row),
        reason=reason,
        notes=(*verdict.get("notes", ()), *(f"A photo was erased on {day}." for day in grading.erased_on(row))),
        missing=missing,
        photo_says=str(row.grade) if row.grade and row.grade != grading.holds(row) else "",
        deference=DEFERENCE,
        pictures=picture_views(row, spec),
        refusal=str(report["refusal"] or ""),
        faults=tuple(str(fault["advice"]) for fault in report["faults"]),
        advice=spec.advice if spec else (),
        retake=f"/grade?part={row.part or ''}{visit}",
        is_usable=bool(report["usable"]),
        measures=measure_views(house, row),
        settings=tuple((one["name"], f"{one['value']:.2f} {one['unit']}") for one in report["settings"]),
        views=views_wanted(row.report["views_missing"]),
        not_seen=tuple(_mode_title(spec, key) for key in report["not_seen"]),
        before=tuple(line for line in CAUTIONS if not _at_restart(line)),
        asked=wanted.reason if wanted is not None and to_do else "",
        wanted=tuple((key, house.checks.rows[key].title) for key in to_do),
        checks=checks[0],
        more_checks=checks[1],
        causes=tuple(report["causes"]),
        is_wipeable=spec is not None and any(one.reading and one.reading.layers for one in house.checks.of(spec.key)),
        wiping=_wiping(row, after),
        grades=GRADES,
        override=row.override,
        outcomes=grading.OUTCOMES,
        outcome=row.outcome,
        restart=tuple(line for line in CAUTIONS if _at_restart(line)),
        visit=f"/inspections/{row.inspection_id}" if row.inspection_id else "",
        parts=tuple((key, part.title.capitalize()) for key, part in PARTS.items() if key != row.part),
        may_write=who.may("grades:write"),
        may_keep=who.may("machines:write") and row.inspection_id is not None and spec is not None,
        teach=teach,
        fresh={name: new_id() for name in ("photo", "again")},
    )


def _at_restart(line: str) -> bool:
    return any(word in line for word in _AT_RESTART)


def _mode_title(spec: PartSpec | None, key: str) -> str:
    return spec.mode(key).title if spec else key


def picture_views(row: GradeRow, spec: PartSpec | None) -> tuple[PictureView, ...]:
    """The judged pictures of a grade."""
    what, count = spec.title if spec else "part", len(row.pictures)
    return tuple(
        PictureView(
            f"/api/v1/grades/{row.id}/pictures/{number}?outlines=false",
            f"/api/v1/grades/{row.id}/pictures/{number}",
            (f"The {what} as it was judged" if row.report["usable"] else "The photo as it was looked at")
            + (f", photo {number + 1} of {count}" if count > 1 else ""),
        )
        for number in range(count)
        if "erased" not in row.pictures[number]
    )


def measure_views(house: House, row: GradeRow) -> tuple[MeasureView, ...]:
    """The measures of a grade; bars where the limits are still those that were in force."""
    same = row.report["limits"].get("sha256") == house.grader.limits.sha256
    lines = part_seen(row, house.grader.limits, house.checks).measures
    return tuple(
        MeasureView(
            said.title,
            f"Measured {said.value}" if line["value"] is not None else said.value.capitalize(),
            said.limits,
            said.note,
            said.grade,
            _bar(house, row, line) if same and line["value"] is not None else None,
        )
        for said, line in zip(lines, row.report["measures"], strict=True)
    )


def _bar(house: House, row: GradeRow, line: Mapping[str, Any]) -> BarView:
    limits = house.grader.limits.row(str(row.part), line["name"])
    found = bar(MeasureLine(line["name"], line["mode"], line["value"], line.get("low"), line.get("high")), limits)
    starts: list[tuple[float, Any]] = [(0.0, GRADES[0]), *found.ticks]
    ends = [at for at, _ in starts[1:]] + [1.0]
    zones = tuple(
        Zone(round(100 * at, 1), round(100 * (end - at), 1), grade)
        for (at, grade), end in zip(starts, ends, strict=True)
        if end > at
    )
    value = found.value or 0.0
    low, high = (value if at is None else at for at in (found.low, found.high))
    return BarView(zones, f"{100 * low:.1f}", f"{100 * value:.1f}", f"{100 * high:.1f}")


def _wiping(row: GradeRow, after: GradeRow | None) -> WipingView | None:
    if row.wiping is None or after is None:
        return None
    before, wiped = (
        f"/api/v1/grades/{one.id}/pictures/0?outlines=false" if "plain" in (one.pictures or [{}])[0] else ""
        for one in (row, after)
    )
    return WipingView(before, wiped, row.wiping["grade"], str(row.wiping["reason"]))
