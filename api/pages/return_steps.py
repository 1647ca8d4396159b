"""The numbered way down the page of a return: each section, its key, and how it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from wearvision_api.pages.return_decision_contexts import DecisionPart
from wearvision_api.pages.return_evidence_contexts import FlagView, ViewTile
from wearvision_api.pages.return_grade_contexts import GradePart
from wearvision_api.pages.return_history import HistoryLine
from wearvision_api.pages.return_reading_contexts import CounterView
from wearvision_api.pages.return_words import cause_words
from wearvision_api.store.return_tables import ReturnRow


@dataclass(frozen=True, slots=True)
class Step:
    """A section of the page: its number (and key), id, title, how it stands, and whether something waits there."""

    number: int
    id: str
    title: str
    note: str
    waits: bool


def steps_of(
    row: ReturnRow,
    missing: Sequence[str],
    views: tuple[ViewTile, ...],
    grade: GradePart | None,
    checks: tuple[CounterView, ...],
    flags: tuple[FlagView, ...],
    decision: DecisionPart,
    told: tuple[HistoryLine, ...],
) -> tuple[Step, ...]:
    """The sections in the order of work, each with how it stands.

    Args:
        row: The return.
        missing: Keys of what is wanted and not there.
        views: Wanted photos.
        grade: Of the photos.
        checks: At the counter.
        flags: To look at, and looked at.
        decision: Findings and decisions.
        told: Its history.
    """
    kinds = {key.partition(":")[0] for key in missing}
    is_open = row.state == "gathering"
    wanted = [one for one in views if one.is_needed]
    filled, unseen = sum(bool(one.photos) for one in wanted), sum(not one.settled for one in flags)
    rows = (
        ("missing", "Still missing", str(len(missing)) if missing else "nothing", bool(missing)),
        ("claim", "Claim", "not whole" if "field" in kinds else "whole", "field" in kinds),
        ("photos", "Photos", f"{filled} of {len(wanted)} wanted", "view" in kinds),
        ("grade", "Grade", _grade_note(grade), "grade" in kinds),
        ("readings", "Readings", f"{sum(bool(one.word) for one in checks)} taken", "check" in kinds),
        ("flags", "To look at", str(unseen) if unseen else "nothing", unseen > 0),
        ("findings", "Findings", cause_words(decision.cause), False),
        ("decision", "Decision", decision.headline[1], not missing and row.state != "decided"),
        ("history", "History", f"{len(told)} entries", False),
    )
    return tuple(
        Step(number, key, title, note, waits and (is_open or key == "decision"))
        for number, (key, title, note, waits) in enumerate(rows, 1)
    )


def _grade_note(grade: GradePart | None) -> str:
    """A grade in short; never serviceable alone while a worse one is possible, and none of another part."""
    if grade is None:
        return "none yet"
    if grade.other_part:
        return "Another part"
    word = (grade.verdict.grade or "no grade").capitalize()
    return f"{word}, in doubt" if grade.verdict.doubt else word
