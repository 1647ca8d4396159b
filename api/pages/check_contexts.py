"""Hand checks as a page shows them: steps, entry for the reading, and what the newest reading says."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from wearvision.errors import ReadingError
from wearvision.readings import read_reading
from wearvision.standard.checks import Check, Checks, Reading
from wearvision_api.pages import units
from wearvision_api.pages.units import System
from wearvision_api.services import grading
from wearvision_api.store.tables import GradeRow, ReadingRow, new_id

SAYS = {
    "good": "Good",
    "clean": "Clean and reuse",
    "replace": "Replace",
    "again": "Read it again",
    "elsewhere": "The fault lies elsewhere",
    "adjust": "Adjust the setting",
}
_NOW = {"confirmed": "Confirmed", "overridden": "Overridden", "contradicted": "Contradicted"}


@dataclass(frozen=True, slots=True)
class EntryView:
    """How a reading is entered.

    Attributes:
        quantity: What is read.
        expect: What a good reading is.
        radios: Whether it is a word out of some, not a number.
        words: Those words, or what a meter shows in place of a number.
        flashes: Counts of a control's read-out.
        units: Name and label, the preferred first.
        kept: What was entered last, to be put right.
        kept_unit: Its unit.
    """

    quantity: str
    expect: str
    radios: bool
    words: tuple[str, ...]
    flashes: tuple[int, ...]
    units: tuple[tuple[str, str], ...]
    kept: str = ""
    kept_unit: str = ""


@dataclass(frozen=True, slots=True)
class AnswerView:
    """What a reading says: kind, its word, as entered, a sentence, and for the newest one what holds now."""

    says: str
    word: str
    entered: str
    text: str
    now: str


@dataclass(frozen=True, slots=True)
class CheckView:
    """One hand check.

    Attributes:
        id: Of the check.
        title: For people.
        why: What it is good for.
        needs: Tools, joined.
        cautions: Shown at the steps.
        steps: In order.
        source: Where it comes from.
        entry: None for a check that is only done.
        state: Needed, done, or empty.
        is_open: Whether its steps are shown at once.
        answer: What the newest reading says.
        error: Why the last entry was refused.
        fresh: Id for the record that the form makes.
    """

    id: str
    title: str
    why: str
    needs: str
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    source: str
    entry: EntryView | None
    state: str
    is_open: bool
    answer: AnswerView | None
    error: str
    fresh: str


@dataclass(frozen=True, slots=True)
class Mistake:
    """A reading that could not be taken: of which check, what was entered, and why not."""

    check: str
    value: str
    unit: str
    text: str


def check_views(
    table: Checks,
    row: GradeRow,
    system: System,
    refused: Mistake | None = None,
    wanted: Collection[str] = (),
) -> tuple[tuple[CheckView, ...], tuple[CheckView, ...]]:
    """The checks that the report asks for, or that were read, and the part's other ones.

    Args:
        table: Checks in force.
        row: The grade.
        system: Units that readings are shown in.
        refused: The entry that was just refused, if one was.
        wanted: Ids of those that are asked for.
    """
    if row.part is None:
        return (), ()
    newest = {one.check: one for one in row.readings}
    asked = {check["id"] for check in row.report["checks"]} | set(newest) | ({refused.check} if refused else set())
    asked |= set(wanted)
    missing = set((row.verdict or {}).get("missing", wanted))
    last = row.readings[-1].check if row.readings else ""
    first: list[CheckView] = []
    more: list[CheckView] = []
    for check in table.of(row.part):
        reading = newest.get(check.id)
        answer = _answer(check, reading, system, row if check.id == last else None) if reading else None
        mine = refused if refused and refused.check == check.id else None
        state = "read" if answer else "needed for a verdict" if check.id in missing else ""
        is_open = mine is not None or (check.id in asked and answer is None and not any(one.is_open for one in first))
        (first if check.id in asked else more).append(check_view(check, system, answer, state, is_open, mine))
    return tuple(first), tuple(more)


def check_view(
    check: Check,
    system: System,
    answer: AnswerView | None = None,
    state: str = "",
    is_open: bool = True,
    refused: Mistake | None = None,
) -> CheckView:
    """One check with its entry."""
    entry = None
    if check.reading is not None:
        kept = (refused.value, refused.unit) if refused else ("", "")
        entry = _entry(check.reading, system, *kept)
    return CheckView(
        id=check.id,
        title=check.title,
        why=check.why,
        needs=", ".join(check.needs),
        cautions=check.cautions,
        steps=check.steps,
        source=check.source,
        entry=entry,
        state=state,
        is_open=is_open,
        answer=answer,
        error=refused.text if refused else "",
        fresh=new_id(),
    )


def _entry(reading: Reading, system: System, kept: str, kept_unit: str) -> EntryView:
    return EntryView(
        quantity=reading.quantity,
        expect=units.expected(reading.expect, reading.unit, system),
        radios=not reading.unit,
        words=reading.words,
        flashes=tuple(answer.code for answer in reading.answers if answer.code is not None),
        units=units.offered(reading.unit, system) if reading.unit else (),
        kept=kept,
        kept_unit=kept_unit,
    )


def _answer(check: Check, reading: ReadingRow, system: System, row: GradeRow | None) -> AnswerView:
    finding: Mapping[str, Any] = reading.finding
    now = ""
    if row is not None and row.verdict is not None and row.verdict["standing"] in _NOW:
        now = f"{_NOW[row.verdict['standing']]}: {row.verdict['grade']} now holds."
        if row.override is not None:
            now = f"The grade by eye stays: {grading.holds(row)}."
    entered = _entered(check, reading, system)
    return AnswerView(finding["says"], SAYS[finding["says"]], entered, finding["text"], now)


def _entered(check: Check, reading: ReadingRow, system: System) -> str:
    """The reading in the units chosen; as it was understood then, where the check has changed since."""
    stored = str(reading.finding["entered"])
    unit = check.reading.unit if check.reading else ""
    value = reading.value["value"]
    if system == "metric" or unit not in units.INCH or isinstance(value, dict):
        return stored
    try:
        found = read_reading(check, {"value": value, "unit": reading.value["unit"] or None})
    except ReadingError:
        return stored
    if found.low is None or found.high is None:
        return stored
    low, high = (units.amount(end, unit, system) for end in (found.low, found.high))
    return low if low == high else f"{low} to {high}"
