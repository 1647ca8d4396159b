"""Checks at the counter: what is asked for a part that comes back, and what the readings say.

A lit cell is judged beside a known-good one only: the limits for a flame never apply to a lamp.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from wearvision.errors import ReadingError
from wearvision.parts import PARTS, part_spec
from wearvision.readings import read_quantity, read_reading
from wearvision.standard.checks import Checks, load_checks
from wearvision.standard.counter_rows import ENTRY, CounterCheck, CounterField, CounterSays, Outcome
from wearvision.standard.counter_table import read_counter
from wearvision.standard.grades import Grade

_FILE = "counter.toml"
_GRADES: Mapping[str, Grade] = {"good": "serviceable", "clean": "clean-and-reuse", "replace": "replace"}


@dataclass(frozen=True, slots=True)
class CounterFinding:
    """What the readings of one check say.

    Attributes:
        check: Id of the check.
        title: Of the check.
        says: For the part: ``good``, ``doubtful``, ``bad`` or ``cannot tell``.
        outcome: Name of the result, which signs of a cause refer to.
        text: Plain words.
        values: As entered.
        modes: Wear modes for which it speaks.
        grade: What it says of those modes; of the part as a whole, where it names none and is bad.
    """

    check: str
    title: str
    says: CounterSays
    outcome: str
    text: str
    values: Mapping[str, str]
    modes: tuple[str, ...] = ()
    grade: Grade | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "check": self.check,
            "title": self.title,
            "says": self.says,
            "outcome": self.outcome,
            "text": self.text,
            "values": dict(self.values),
            "modes": list(self.modes),
            "grade": self.grade,
        }

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> CounterFinding:
        """The finding that ``to_dict`` wrote; KeyError or TypeError for anything else."""
        return cls(**{**plain, "values": dict(plain["values"]), "modes": tuple(plain["modes"])})


def checks_at_counter(part: str, checks: Checks | None = None) -> tuple[CounterCheck, ...]:
    """The checks at the counter for a part, in the order in which they are asked for.

    Args:
        part: Key of the part.
        checks: The hand checks in force; None for those of the standard.

    Raises:
        UnknownPart: there is no such part.
    """
    part_spec(part)
    rows = _standard() if checks is None else read_counter(_FILE, _text(), checks)
    return tuple(row for row in rows.values() if row.part == part)


def counter_check(key: str, part: str | None = None, checks: Checks | None = None) -> CounterCheck:
    """The check of that id.

    Args:
        key: Its id.
        part: The part that it must be of; None for any.
        checks: The hand checks in force; None for those of the standard.

    Raises:
        ReadingError: there is none of that id, or it is one of another part.
        UnknownPart: there is no such part.
    """
    rows = [row for name in ([part] if part else PARTS) for row in checks_at_counter(name, checks)]
    for row in rows:
        if row.id == key:
            return row
    raise ReadingError(f"There is no check {key!r} at the counter; there are {', '.join(row.id for row in rows)}.")


def _text() -> str:
    return files("wearvision.standard").joinpath(_FILE).read_text("utf-8")


@cache
def _standard() -> Mapping[str, CounterCheck]:
    return read_counter(_FILE, _text(), load_checks())


def judge(
    check: str, values: Mapping[str, str], *, part: str | None = None, checks: Checks | None = None
) -> CounterFinding:
    """What the readings of one check at the counter say.

    Args:
        check: Its id.
        values: Field to what was entered; empty entries count as not entered.
        part: The part that the check must be of; None for any.
        checks: The hand checks in force; None for those of the standard.

    Raises:
        ReadingError: no such check, an unknown or missing field, or an entry that makes no sense.
        UnknownPart: there is no such part.
    """
    row = counter_check(check, part, checks)
    entered = {key: text.strip() for key, text in values.items() if text.strip()}
    unknown = [key for key in entered if key not in {one.key for one in row.fields}]
    if unknown:
        raise ReadingError(f"{check}: no field {unknown[0]!r}; there are {', '.join(one.key for one in row.fields)}.")
    lacking = [one for one in row.fields if one.required and one.key not in entered]
    if lacking:
        raise ReadingError(f"{check}: {lacking[0].title} ({lacking[0].key}) is missing.")
    table = checks or load_checks()
    if row.judged == "hand check":
        return _by_hand(row, entered, table)
    read = {one.key: _read(row, one, entered[one.key]) for one in row.fields if one.key in entered}
    way: Callable[..., Outcome] = {"lit ratio": _lit, "dark ratio": _dark}[row.judged]
    result = way(row, read, table)
    grade: Grade | None = "replace" if result.says == "bad" else None
    return CounterFinding(row.id, row.title, result.says, result.name, result.text, entered, grade=grade)


def _by_hand(row: CounterCheck, entered: Mapping[str, str], checks: Checks) -> CounterFinding:
    found = read_reading(checks.rows[row.id], entered[ENTRY])
    word = found.entered if found.low is None else found.says
    says = row.says[found.says]
    modes = found.modes if says in ("good", "bad") else ()
    grade = _GRADES.get(found.says) if modes or says == "bad" else None
    return CounterFinding(row.id, row.title, says, word, found.text, entered, modes, grade)


def _read(row: CounterCheck, asked: CounterField, text: str) -> float | str:
    """A quantity as a number (open is infinite, a short zero), a word as it stands in the table, a text as it is."""
    word = next((one for one in asked.words if one.casefold() == text.casefold()), None)
    if asked.unit:
        if word == "short":
            return 0.0
        value = read_quantity(f"{row.id}: {asked.title}", text, asked.unit)
        if math.isinf(value) and "open" not in asked.words:
            raise ReadingError(f"{row.id}: {asked.title} can't be open here; look at leads and meter.")
        return value
    if asked.words and word is None:
        raise ReadingError(f"{row.id}: {asked.title}: enter one of {', '.join(asked.words)}; got {text!r}.")
    return word or text


def _lit(row: CounterCheck, read: Mapping[str, Any], _: Checks) -> Outcome:
    """By the ratio to the known-good cell under the same lamp; a wiped reading decides over one as it came.

    Two good cells whose resistances lie within a share s of their type's differ by up to (1 + s) / (1 - s) either
    way; with s = 0.5 (handbook, unit spread of 50 % or more) that is 3, the table's last edge.
    """
    if read["adapted"] != "yes":
        return row.outcome("not adapted")
    good, least = read["lit_good"], row.settings["short_below"]
    if not least <= good < row.settings["good_below"]:
        return row.outcome("good one out")
    first, wiped = read["lit_part"], read.get("lit_wiped")
    of, value = ("found", first) if wiped is None else ("wiped", wiped)
    if math.isinf(value):
        return row.outcome("open")
    band = row.band(of, value / good)
    if value < least and band.low == 0:
        return row.outcome("short")
    if wiped is None:
        return band
    if math.isinf(first):
        return row.outcome("comes and goes")
    cured = first >= row.settings["cured_from"] * wiped
    if band.says == "good" and row.band("found", first / good).low >= band.high and cured:
        return row.outcome("wiping cured it")
    return band


def _dark(row: CounterCheck, read: Mapping[str, Any], checks: Checks) -> Outcome:
    """By the dark limit in force and by the ratio to the known-good cell; an open reading is usual."""
    for field_key, result in (("adapted", "not adapted"), ("waited", "not waited")):
        if read[field_key] != "yes":
            return row.outcome(result)
    good, value, limit = read["dark_good"], read["dark_part"], checks.rows[row.hand_limit]
    if read_reading(limit, good).says != "good":
        return row.outcome("good one out")
    if math.isinf(value):
        return row.outcome("open")
    says = read_reading(limit, value).says
    if says != "good":
        return row.outcome("leaky" if says == "replace" else "in between")
    low = math.isfinite(good) and value < row.settings["low_ratio"] * good
    return row.outcome("low beside the good one" if low else "dark enough")


__all__ = ["CounterCheck", "CounterField", "CounterFinding", "checks_at_counter", "counter_check", "judge"]
