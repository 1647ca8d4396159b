"""Classes of cause and the signs that speak for or against them, as data."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

from wearvision.errors import LimitsError
from wearvision.parts import PARTS
from wearvision.standard.checks import _known
from wearvision.standard.counter import checks_at_counter

Cause = Literal["service-wear", "dirt", "heat", "handling", "defect"]
CAUSES: tuple[Cause, ...] = get_args(Cause)
Age = Literal["few", "many", ""]
"""Few hours, many, or neither or unknown."""
State = Literal["worn", "may be worn", "not worn", "not seen", "does not apply"]
"""What is known of a wear mode: worn for sure, in doubt, surely not worn, not seen, or nothing that this part has."""
WEIGHTS: Mapping[str, int] = {"weak": 1, "strong": 2}

_FILE = "origins.toml"
_SIGN = {"part", "modes", "reading", "when", "beside", "without", "alone", "age", "favours", "against", "weight"}
_SIGN |= {"text", "source"}
_AGE = {"few_hours_below", "many_hours_from", "few_days_below", "many_days_from", "source"}
_FREE: tuple[State, ...] = ("not worn", "does not apply")


@dataclass(frozen=True, slots=True)
class CauseClass:
    """One class of cause.

    Attributes:
        key: Stable name.
        title: For people.
        meaning: What it means, one or two sentences.
        source: Where it comes from.
    """

    key: Cause
    title: str
    meaning: str
    source: str


@dataclass(frozen=True, slots=True)
class Ages:
    """What counts as few and as many hours; days where no hours are known."""

    few_hours_below: float
    many_hours_from: float
    few_days_below: float
    many_days_from: float
    source: str

    def of(self, hours: float | None, days: float | None) -> Age:
        """The age of a part that ran ``hours`` and was fitted for ``days``; hours win where both are known."""
        if hours is not None:
            return "few" if hours < self.few_hours_below else "many" if hours >= self.many_hours_from else ""
        if days is not None:
            return "few" if days < self.few_days_below else "many" if days >= self.many_days_from else ""
        return ""


@dataclass(frozen=True, slots=True)
class Sign:
    """One thing that speaks for or against a class of cause.

    Attributes:
        part: Key of the part.
        modes: Wear modes to which it belongs; empty: to its reading.
        reading: Id of the check at the counter that it needs; empty for none.
        when: Outcomes or sayings of that reading under which it holds.
        beside: Modes that must be worn.
        without: Modes that must not be worn.
        alone: No other mode may be worn.
        age: ``"few"`` or ``"many"``; empty: whatever the age.
        cause: The class.
        favours: True for a sign for it, False for one against it.
        weight: ``"weak"`` or ``"strong"``.
        text: What a person reads.
        source: Where it comes from.
    """

    part: str
    modes: tuple[str, ...]
    reading: str
    when: tuple[str, ...]
    beside: tuple[str, ...]
    without: tuple[str, ...]
    alone: bool
    age: Age
    cause: Cause
    favours: bool
    weight: str
    text: str
    source: str

    @property
    def points(self) -> int:
        """What it adds to its class, negative against it."""
        return WEIGHTS[self.weight] * (1 if self.favours else -1)

    def asked(self, outcomes: Mapping[str, Collection[str]], age: Age) -> bool:
        """Whether age and reading are as it needs them.

        Args:
            outcomes: Check id to the names that its result goes by (outcome and saying).
            age: Of the part.
        """
        if self.age and self.age != age:
            return False
        return not self.reading or bool(set(self.when) & set(outcomes.get(self.reading, ())))

    def fits(self, states: Mapping[str, State]) -> bool:
        """Whether the other modes are as it needs them: ``beside`` worn, ``without`` and ``alone`` surely not worn."""
        others = [mode for mode in states if self.alone and mode not in self.modes]
        free = all(states[mode] in _FREE for mode in (*self.without, *others))
        return free and all(states[mode] == "worn" for mode in self.beside)

    def to_dict(self) -> dict[str, Any]:
        """What a page or a sheet shows of it."""
        return {
            "cause": self.cause,
            "favours": self.favours,
            "weight": self.weight,
            "text": self.text,
            "source": self.source,
        }


@dataclass(frozen=True, slots=True)
class Origins:
    """All classes and signs in force."""

    classes: Mapping[Cause, CauseClass]
    ages: Ages
    signs: tuple[Sign, ...]

    def of(self, part: str, outcomes: Mapping[str, Collection[str]], age: Age) -> tuple[Sign, ...]:
        """The signs of a part that age and readings allow; which hold, its modes say: ``Sign.fits``."""
        return tuple(sign for sign in self.signs if sign.part == part and sign.asked(outcomes, age))


@cache
def load_origins() -> Origins:
    """Classes and signs of the standard.

    Raises:
        LimitsError: a row is wrong.
    """
    return read_origins(_FILE, files("wearvision.standard").joinpath(_FILE).read_text("utf-8"))


def read_origins(name: str, text: str) -> Origins:
    """Reads a table of classes, ages and signs.

    Args:
        name: Of the file, for messages.
        text: TOML.

    Raises:
        LimitsError: a row is wrong, or a class is missing; names file, row and reason.
    """
    try:
        table = tomllib.loads(text)
    except ValueError as error:
        raise LimitsError(f"{name}: not valid TOML ({error}).") from error
    classes: dict[Cause, CauseClass] = {}
    signs: list[Sign] = []
    where = "the file"
    try:
        _known(table, {"age", "class", "sign"}, "table")
        for row in table["class"]:
            where = f"class {row.get('key')!r}"
            _known([row["key"]], CAUSES, "class")
            classes[row["key"]] = CauseClass(**row)
        where = "the file"
        _known(CAUSES, classes, "class")
        where = "age"
        ages = _ages(table["age"])
        for number, row in enumerate(table["sign"], 1):
            where = f"sign {number} ({row.get('text', 'without text')!r})"
            signs.append(_sign(row))
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
        raise LimitsError(f"{name}: {where}: {reason}.") from error
    return Origins(classes, ages, tuple(signs))


def _ages(row: Mapping[str, Any]) -> Ages:
    _known(row, _AGE, "key")
    numbers = {key: float(row[key]) for key in _AGE - {"source"}}
    for unit in ("hours", "days"):
        few, many = numbers[f"few_{unit}_below"], numbers[f"many_{unit}_from"]
        if not 0 < few <= many < math.inf:
            raise ValueError(f"few {unit} ({few:g}) and many ({many:g}) cross")
    return Ages(source=str(row["source"]), **numbers)


def _sign(row: Mapping[str, Any]) -> Sign:
    _known(row, _SIGN, "key")
    _known([row["part"]], PARTS, "part")
    lists = {key: tuple(row.get(key, ())) for key in ("modes", "beside", "without")}
    for names in lists.values():
        _known(names, {mode.key for mode in PARTS[row["part"]].modes}, "mode")
    reading, when = str(row.get("reading", "")), tuple(row.get("when", ()))
    if bool(reading) != bool(when):
        raise ValueError("reading and when belong together")
    if reading:
        checks = {check.id: check for check in checks_at_counter(row["part"])}
        _known([reading], checks, "check at the counter")
        _known(when, checks[reading].names, "result")
    if not lists["modes"] and not reading:
        raise ValueError("needs modes or a reading to belong to")
    if ("favours" in row) == ("against" in row):
        raise ValueError("needs either favours or against")
    cause = row.get("favours", row.get("against"))
    _known([cause], CAUSES, "class")
    _known([row["weight"]], WEIGHTS, "weight")
    _known([row.get("age", "")], get_args(Age), "age")
    for key in ("text", "source"):
        if not str(row[key]).strip():
            raise ValueError(f"{key} is empty")
    return Sign(
        part=row["part"],
        **lists,
        reading=reading,
        when=when,
        alone=bool(row.get("alone", False)),
        age=row.get("age", ""),
        cause=cause,
        favours="favours" in row,
        weight=row["weight"],
        text=str(row["text"]),
        source=str(row["source"]),
    )
