"""Reads what a person enters for a hand check: a number with a unit, a range, a word, or a control's flashes."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from wearvision.errors import ReadingError
from wearvision.standard.checks import Answer, Check, Checks, Says

Readings = Mapping[str, Any] | Iterable[Mapping[str, Any]]
"""Check id to value, or a list of ``{"check": id, "value": …, "unit": …}``."""

# No lower-case "m" for mega or milli: a reading wrong by a billion would pass.
_OHMS = {"ohm": 1.0, "ohms": 1.0, "Ω": 1.0, "k": 1e3, "kohm": 1e3, "kΩ": 1e3, "M": 1e6, "Mohm": 1e6, "MΩ": 1e6}
UNITS: dict[str, dict[str, float]] = {
    "ohm": _OHMS,
    "Mohm": {unit: scale / 1e6 for unit, scale in _OHMS.items()} | {"Gohm": 1e3, "GΩ": 1e3},
    "mm": {"mm": 1.0, "cm": 10.0, "in": 25.4, "inch": 25.4},
    "1": {"1": 1.0, "%": 0.01},
    "V": {"V": 1.0, "mV": 0.001},
    "bar": {"bar": 1.0, "psi": 0.0689476, "kPa": 0.01},
    "Pa": {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "inWC": 249.089, "mmWC": 9.80665},
    "%": {"%": 1.0},
    "spot": {"spot": 1.0},
}
"""A check's unit to the names of units that may be entered for it, with their size in it."""
OPEN = {"open", "infinite", "infinity", "inf", "ol", "o.l"}
"""What a meter or a person says for no end to a resistance."""
_NUMBER = r"(\d+(?:\.\d+)?(?:/\d+)?)"
_PLAIN = re.compile(rf"{_NUMBER}\s*([^\d\s.,/-]*)")
_RANGE = re.compile(rf"{_NUMBER}\s*(?:-|to|…)\s*{_NUMBER}\s*([^\d\s.,/-]*)")
_FLASHES = re.compile(r"(\d{1,9})\s*flash(?:es)?")


@dataclass(frozen=True, slots=True)
class Finding:
    """What one reading says.

    Attributes:
        check: The check that was done.
        entered: The reading as it was understood, with its unit.
        says: What follows.
        text: One sentence for a person.
        low: Lower end of the reading in the check's unit; None for a word.
        high: Upper end.
        next: Where a walk from a symptom goes on; empty where it stays, and for the hand checks of a part.
    """

    check: Check
    entered: str
    says: Says
    text: str
    low: float | None = None
    high: float | None = None
    next: str = ""

    @property
    def modes(self) -> tuple[str, ...]:
        """The modes for which this reading speaks; none where it is no verdict."""
        if self.says == "good":
            return self.check.clears
        return self.check.modes if self.says in ("clean", "replace") else ()

    def to_dict(self) -> dict[str, Any]:
        """As it stands in a verdict."""
        return {
            "check": self.check.id,
            "entered": self.entered,
            "says": self.says,
            "text": self.text,
            "modes": list(self.modes),
        }


def read_readings(part: str, readings: Readings, checks: Checks) -> tuple[Finding, ...]:
    """All readings of one part, each with what it says.

    Args:
        part: Key of the part.
        readings: Check id to value, or a list of ``{"check", "value", "unit"}``. A value is a number in the
            check's unit, a text (``"1.65 kohm"``, ``"800-1600"``, ``"3 flashes"``, ``"open"``, a word of the
            check), or a mapping with ``value``, ``low`` and ``high``, or ``flashes``, and ``unit``.
        checks: Those in force.

    Raises:
        ReadingError: unknown check, one of another part, one without a reading, twice the same, a wrong unit
            or word, NaN, a negative or an impossible value.
    """
    pairs = list(readings.items()) if isinstance(readings, Mapping) else [_pair(item) for item in readings]
    found: dict[str, Finding] = {}
    for key, value in pairs:
        check = checks.rows.get(key)
        if check is None or check.part != part or check.reading is None:
            known = ", ".join(row.id for row in checks.of(part) if row.reading)
            raise ReadingError(f"There is no check {key!r} with a reading for {part}; there are {known}.")
        if key in found:
            raise ReadingError(f"{key}: entered twice; enter each check once.")
        found[key] = read_reading(check, value)
    return tuple(found.values())


def read_reading(check: Check, value: object) -> Finding:
    """One reading; see ``read_readings``."""
    if check.reading is None:
        raise ReadingError(f"{check.id}: this check has no reading.")
    unit = check.reading.unit
    if isinstance(value, Mapping):
        given = value.get("unit")
        if given is not None and not isinstance(given, str):
            raise ReadingError(f"{check.id}: the unit must be a text, is {given!r}.")
        if "flashes" in value:
            return _code(check, value["flashes"])
        if "low" in value and "high" in value:
            scale = _scale(check, given)
            return _band(check, _number(check, value["low"]) * scale, _number(check, value["high"]) * scale)
        if "value" not in value:
            raise ReadingError(f"{check.id}: give value, low and high, or flashes.")
        inner = value["value"]
        if isinstance(inner, str):
            return _text(check, inner, given)
        number = _number(check, inner) * _scale(check, given)
        return _band(check, number, number)
    if isinstance(value, str):
        return _text(check, value, None)
    number = _number(check, value)
    if not unit:
        raise ReadingError(f"{check.id}: enter one of {', '.join(check.reading.words)}; got {value!r}.")
    return _band(check, number, number)


def read_quantity(name: str, text: str, unit: str) -> float:
    """One number with or without a unit, as a person enters it.

    Args:
        name: Of what is read, for messages.
        text: ``"1.65 kohm"``, ``"650"``, ``"open"``.
        unit: The unit of the answer, which also holds where none is entered; a key of ``UNITS``.

    Returns:
        The number in ``unit``, >= 0; infinite for ``"open"`` and its like.

    Raises:
        ReadingError: it is no number, or its unit does not fit.

    Example:
        >>> read_quantity("lit resistance", "1.65 kohm", "ohm")
        1650.0
    """
    if " ".join(text.casefold().split()) in OPEN:
        return math.inf
    found = _PLAIN.fullmatch(text.strip())
    if not found:
        raise ReadingError(f"{name}: enter a number in {unit}; got {text!r}.")
    number, own = found.groups()
    return _fraction(name, number) * _scale_of(name, unit, own)


def _pair(item: object) -> tuple[str, object]:
    if not isinstance(item, Mapping) or not isinstance(item.get("check", item.get("id")), str):
        raise ReadingError(f'A reading needs the form {{"check": id, "value": …}}, got {item!r}.')
    return item.get("check", item.get("id")), item


def _text(check: Check, text: str, unit: str | None) -> Finding:
    reading = check.reading
    if reading is None:
        raise ReadingError(f"{check.id}: this check has no reading.")
    word = " ".join(text.casefold().split())
    word = "open" if word in OPEN else word
    for answer in reading.answers:
        if answer.word and answer.word.casefold() == word:
            return Finding(check, answer.word, answer.says, answer.text, next=answer.next)
    flashes = _FLASHES.fullmatch(word)
    if flashes:
        return _code(check, int(flashes[1]))
    numbers = _RANGE.fullmatch(text.strip()) or _PLAIN.fullmatch(text.strip())
    if not numbers or not reading.unit:
        words = f" or one of {', '.join(reading.words)}" if reading.words else ""
        form = f"a number in {reading.unit}{words}" if reading.unit else f"one of{words[10:]}"
        raise ReadingError(f"{check.id}: enter {form}; got {text!r}.")
    *values, own = numbers.groups()
    scale = _scale(check, own or unit)
    low, *more = (_fraction(check.id, value) * scale for value in values)
    return _band(check, low, more[0] if more else low)


def _fraction(name: str, text: str) -> float:
    top, _, bottom = text.partition("/")
    if bottom and float(bottom) == 0:
        raise ReadingError(f"{name}: {text!r} divides by zero.")
    number = float(top) / float(bottom) if bottom else float(top)
    if math.isnan(number):
        raise ReadingError(f"{name}: {text!r:.40} is no number.")
    return number


def _number(check: Check, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ReadingError(f"{check.id}: a number is needed, got {value!r}.")
    try:
        number = float(value)
    except OverflowError:  # an integer of JSON may have any length
        number = math.nan
    if math.isnan(number) or number < 0:
        raise ReadingError(f"{check.id}: the reading must be a number from 0 up, got {value!r:.40}.")
    return number


def _scale(check: Check, unit: str | None) -> float:
    return _scale_of(check.id, check.reading.unit if check.reading else "", unit)


def _scale_of(name: str, own: str, unit: str | None) -> float:
    """How large ``unit`` is in the unit ``own``; 1 where none is given."""
    if not unit or unit == own:
        return 1.0
    known = UNITS.get(own, {})
    if unit not in known:
        allowed = ", ".join(known) if known else "no unit, the reading is a word"
        raise ReadingError(f"{name}: unit {unit!r} does not fit; allowed: {allowed}.")
    return known[unit]


def _code(check: Check, flashes: object) -> Finding:
    codes = [answer for answer in (check.reading.answers if check.reading else ()) if answer.code is not None]
    for answer in codes:
        if not isinstance(flashes, bool) and flashes == answer.code:
            return Finding(check, f"{flashes} flashes", answer.says, answer.text, answer.low, answer.high)
    known = ", ".join(str(answer.code) for answer in codes) or "none"
    raise ReadingError(f"{check.id}: {flashes!r} flashes mean nothing here; known are {known}.")


def _band(check: Check, low: float, high: float) -> Finding:
    """The finding of a reading from ``low`` to ``high``, both in the check's unit."""
    if check.reading is None or not check.reading.unit:
        raise ReadingError(f"{check.id}: this reading is a word, not a number.")
    if low > high:
        raise ReadingError(f"{check.id}: the range runs from {low:g} down to {high:g}.")
    unit = "" if check.reading.unit == "1" else f" {check.reading.unit}"
    entered = f"{low:g}{unit}" if low == high else f"{low:g} to {high:g}{unit}"
    if math.isinf(low):
        return _infinite(check, entered)
    hit = [a for a in check.reading.answers if a.code is None and a.high > a.low and low < a.high and high >= a.low]
    if not hit:
        raise ReadingError(f"{check.id}: {entered} is no plausible {check.reading.quantity}; look at unit and meter.")
    if len({(answer.says, answer.next) for answer in hit}) > 1:
        text = f"The range {entered} lies on both sides of a limit: read it exactly."
        return Finding(check, entered, "again", text, low, high)
    return Finding(check, entered, hit[-1].says, hit[-1].text, low, high, hit[-1].next)


def _infinite(check: Check, entered: str) -> Finding:
    answers: tuple[Answer, ...] = check.reading.answers if check.reading else ()
    for answer in answers:
        if answer.word in ("open", "over range"):
            return Finding(check, answer.word, answer.says, answer.text)
    raise ReadingError(f"{check.id}: {entered} is no reading of this check.")
