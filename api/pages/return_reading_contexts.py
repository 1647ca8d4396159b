"""What the page of a return shows of the readings at the counter: steps, fields, and what the newest reading says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from wearvision.standard.counter import CounterCheck, CounterField, checks_at_counter
from wearvision_api.pages import units
from wearvision_api.pages.units import System
from wearvision_api.services.sheet import moment
from wearvision_api.store.return_tables import CounterReading, ReturnRow
from wearvision_api.store.tables import new_id

SAYS = {"good": "Good", "doubtful": "In doubt", "bad": "Bad", "cannot tell": "Cannot tell"}
LOOKS = {"good": "good", "doubtful": "clean", "bad": "replace", "cannot tell": "again"}
"""Which of the looks of a hand check's answer each saying has."""


@dataclass(frozen=True, slots=True)
class EntryField:
    """A field of a check: id, key, title, hint, words to choose from, units, whether needed, and what stands in it."""

    id: str
    key: str
    title: str
    hint: str
    radios: bool
    words: tuple[str, ...]
    units: tuple[tuple[str, str], ...]
    required: bool
    kept: str
    kept_unit: str


@dataclass(frozen=True, slots=True)
class CounterMistake:
    """A reading that could not be taken: of which check, what was typed by field, and why not."""

    check: str
    typed: Mapping[str, str]
    text: str


@dataclass(frozen=True, slots=True)
class CounterView:
    """A check at the counter.

    Attributes:
        check: Its title, why, needs, cautions, steps, note and source.
        state: Needed, read, or empty.
        fields: What is entered.
        entered: What was entered last, for people.
        word: What that says, in a word; empty where nothing was read.
        text: In a sentence.
        look: Which look of an answer it has.
        by: Who read it, and when.
        error: Why the last entry was refused.
        is_open: Whether its steps are shown at once.
        fresh: Id for the record that the form makes.
    """

    check: CounterCheck
    state: str
    fields: tuple[EntryField, ...]
    entered: str
    word: str
    text: str
    look: str
    by: str
    error: str
    is_open: bool
    fresh: str


def counter_views(row: ReturnRow, system: System, refused: CounterMistake | None = None) -> tuple[CounterView, ...]:
    """The checks at the counter with their newest reading; the first one still needed stands open."""
    newest = {one.check: one for one in row.readings}
    said = {one.item for one in row.waivers}
    found: list[CounterView] = []
    opened = refused is not None
    for check in checks_at_counter(row.part):
        reading = newest.get(check.id)
        mistake = refused if refused is not None and refused.check == check.id else None
        is_needed = check.required and reading is None and f"check:{check.id}" not in said
        found.append(
            _counter_view(check, reading, system, mistake, is_open=is_needed and not opened, is_needed=is_needed)
        )
        opened = opened or is_needed
    return tuple(found)


def _counter_view(
    check: CounterCheck,
    reading: CounterReading | None,
    system: System,
    mistake: CounterMistake | None,
    *,
    is_open: bool,
    is_needed: bool,
) -> CounterView:
    says = str(reading.finding["says"]) if reading else ""
    titles = {one.key: one.title for one in check.fields}
    single = len(check.fields) == 1
    entered = [
        text if single else f"{titles.get(key, key)}: {text}"
        for key, text in (reading.values if reading else {}).items()
    ]
    return CounterView(
        check=check,
        state="read" if reading else "needed" if is_needed else "",
        fields=tuple(
            _entry(one, f"read-{check.id}{f'-{one.key}' if place else ''}", system, mistake.typed if mistake else {})
            for place, one in enumerate(check.fields)
        ),
        entered="; ".join(entered),
        word=SAYS[says] if says else "",
        text=str(reading.finding["text"]) if reading else "",
        look=LOOKS[says] if says else "",
        by=f"{reading.owner.name}, {moment(reading.created_at)}" if reading else "",
        error=mistake.text if mistake else "",
        is_open=is_open or mistake is not None,
        fresh=new_id(),
    )


def _entry(field: CounterField, key: str, system: System, typed: Mapping[str, str]) -> EntryField:
    hint = ""
    if field.unit and field.words:
        hint = f"A number, or: {', '.join(field.words)}."
    return EntryField(
        key,
        field.key,
        field.title,
        hint if field.required else f"If you can. {hint}".strip(),
        bool(field.words) and not field.unit,
        field.words,
        units.offered(field.unit, system) if field.unit else (),
        field.required,
        typed.get(field.key, ""),
        typed.get(f"{field.key}-unit", ""),
    )


def entered(check: CounterCheck, typed: Mapping[str, str]) -> dict[str, str]:
    """The values of a check out of a form's fields: a number takes the unit chosen beside it.

    Args:
        check: Of the counter.
        typed: ``{field}`` and ``{field}-unit``.
    """
    values = {}
    for field in check.fields:
        text = typed.get(field.key, "").strip()
        if field.unit and text[:1].isdigit() and text[-1:].isdigit():
            unit = typed.get(f"{field.key}-unit", "") or field.unit
            text = text.replace(",", ".") + (f" {unit}" if unit != "1" else "")  # "1" stands for no unit
        values[field.key] = text
    return {key: text for key, text in values.items() if text}
