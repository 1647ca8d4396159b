"""The policy as data: rows that map findings, age and hours to a proposal, checked as they are read."""

from __future__ import annotations

import hashlib
import json
import math
import sys
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, get_args

from wearvision.errors import InputError
from wearvision.parts import PARTS
from wearvision.standard.counter import checks_at_counter
from wearvision.standard.counter_rows import CounterSays
from wearvision.standard.grades import GRADES
from wearvision.standard.origins import CAUSES
from wearvision_api.returns.reasoning import OPEN, SURE

Proposed = Literal["accept", "decline", "second person", "more evidence"]
Standing = Literal["within", "past", "unknown"]
"""Where the part's age lies against the warranty."""
_FILE = "policy.toml"
_LISTS: Mapping[str, tuple[str, ...]] = {
    "part": tuple(PARTS),
    "claimed": (*CAUSES, "none"),
    "cause": (*CAUSES, OPEN),
    "grade": GRADES,
}
_NUMBERS = ("hours_from", "hours_below", "days_from", "days_below")
_CONDITIONS = (*_LISTS, "sure", "fault", "warranty", *_NUMBERS, "another_part", "flags", "reading")


class PolicyError(InputError):
    """A policy table is wrong; the message names file, row and key."""

    code = "bad_policy"


@dataclass(frozen=True, slots=True)
class Warranty:
    """How long the warranty lasts; None: that limit is not asked for."""

    hours: float | None
    days: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row.

    Attributes:
        id: Stable name, stands on sheets and letters.
        when: Conditions, all of which must hold; empty: it always holds.
        propose: What it proposes.
        text: Plain words.
        source: Contract or rule that it comes from.
    """

    id: str
    when: Mapping[str, Any]
    propose: Proposed
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class Policy:
    """A whole table.

    Attributes:
        id: Its name.
        sha256: Fingerprint of all that it says, sources left out: equal ones propose alike in equal words.
        example: True: an example, no advice.
        warranty: How long it lasts.
        rows: In order; the last one always holds.
    """

    id: str
    sha256: str
    example: bool
    warranty: Warranty
    rows: tuple[Row, ...]

    def row(self, key: str) -> Row | None:
        """The row of that id; None where there is none."""
        return next((row for row in self.rows if row.id == key), None)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "id": self.id,
            "sha256": self.sha256,
            "example": self.example,
            "warranty": asdict(self.warranty),
            "rows": [asdict(row) for row in self.rows],
        }


@cache
def _standard() -> Policy:
    return read_policy(_FILE, files("wearvision_api.returns").joinpath(_FILE).read_text("utf-8"))


def load_policy(path: str | Path | None = None) -> Policy:
    """The policy in force.

    Args:
        path: A site's table; None: the example that comes with the service.

    Raises:
        PolicyError: the file cannot be read, or a row is wrong; names file, row and key.
    """
    if path is None:
        return _standard()
    file = Path(path)
    try:
        text = file.read_bytes().decode("utf-8")
    except OSError as error:
        raise PolicyError(f"{file}: cannot be read ({error.strerror}). Give a TOML file.") from error
    except UnicodeDecodeError as error:
        raise PolicyError(f"{file.name}: not UTF-8 ({error}).") from error
    return read_policy(file.name, text)


def read_policy(name: str, text: str) -> Policy:
    """Reads a policy table.

    Args:
        name: Of the file, for messages.
        text: TOML.

    Raises:
        PolicyError: it is no TOML, a key or value is wrong, a row can never be reached, or the last row has
            conditions; names file, row and key.
    """
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise PolicyError(f"{name}: not valid TOML ({error}).") from error
    where = "the file"
    rows: list[Row] = []
    try:
        _known("key", table, ("id", "example", "warranty", "row"))
        own, example = _text(table, "id"), _truth("example", table.get("example", False))
        where = "warranty"
        warranty = _warranty(_table(table["warranty"]))
        where = "row"
        given = table["row"]
        if not isinstance(given, list) or not given:
            raise ValueError("needs at least one [[row]]")
        for number, entry in enumerate(given, 1):
            where = f"row {number}"
            where = f"row {number} ({_table(entry).get('id', 'without id')!r})"
            row = _row(entry)
            if any(row.id == other.id for other in rows):
                raise ValueError("the id stands there twice")
            if rows and not rows[-1].when:
                raise ValueError(f"never reached: row {rows[-1].id!r} before it has no conditions")
            rows.append(row)
        if rows[-1].when:
            raise ValueError("the last row must have no conditions, so that every claim gets a proposal")
    except (KeyError, ValueError) as error:
        reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
        raise PolicyError(f"{name}: {where}: {reason}.") from error
    says = [{key: value for key, value in asdict(row).items() if key != "source"} for row in rows]
    ages = {"hours": warranty.hours, "days": warranty.days}
    plain = json.dumps({"example": example, "warranty": ages, "rows": says}, sort_keys=True, separators=(",", ":"))
    return Policy(own, hashlib.sha256(plain.encode()).hexdigest(), example, warranty, tuple(rows))


def _row(entry: Mapping[str, Any]) -> Row:
    _known("key", entry, ("id", "when", "propose", "text", "source"))
    _one_of("propose", entry["propose"], get_args(Proposed))
    when = _table(entry.get("when", {}))
    _known("condition", when, _CONDITIONS)
    checked = {key: _condition(key, value) for key, value in when.items()}
    for unit in ("hours", "days"):
        low, high = checked.get(f"{unit}_from", 0), checked.get(f"{unit}_below", math.inf)
        if low >= high:
            raise ValueError(f"{unit}_from {low:g} is not under {unit}_below {high:g}")
    return Row(_text(entry, "id"), checked, entry["propose"], _text(entry, "text"), _text(entry, "source"))


def _condition(key: str, value: object) -> Any:
    if key in _LISTS:
        if not isinstance(value, list) or not value:
            raise ValueError(f"{key} must be a list of {', '.join(_LISTS[key])}; is {value!r}")
        for one in value:
            _one_of(key, one, _LISTS[key])
        return tuple(value)
    if key in _NUMBERS:
        return _number(key, value)
    if key == "sure":
        return _one_of(key, value, SURE)
    if key == "warranty":
        return _one_of(key, value, get_args(Standing))
    if key == "fault" and value == "unknown":
        return value
    return _readings(value) if key == "reading" else _truth(key, value)


def _readings(value: object) -> dict[str, tuple[str, ...]]:
    checks = {check.id for part in PARTS for check in checks_at_counter(part)}
    table = _table(value)
    _known("check", table, sorted(checks))
    for check, says in table.items():
        if not isinstance(says, list) or not says:
            raise ValueError(f"reading {check} must be a list of {', '.join(get_args(CounterSays))}; is {says!r}")
        for one in says:
            _one_of(f"reading {check}", one, get_args(CounterSays))
    return {check: tuple(says) for check, says in table.items()}


def _warranty(table: Mapping[str, Any]) -> Warranty:
    _known("key", table, ("hours", "days", "source"))
    hours, days = (_number(key, table[key]) if key in table else None for key in ("hours", "days"))
    if hours is None and days is None:
        raise ValueError("needs hours, days or both")
    return Warranty(hours, days, _text(table, "source"))


def _table(value: object) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise ValueError(f"must be a table, is {value!r}")
    return value


def _known(what: str, given: Collection[str], known: Collection[str]) -> None:
    unknown = [key for key in given if key not in known]
    if unknown:
        raise ValueError(f"unknown {what} {unknown[0]!r}; known are {', '.join(known)}")


def _one_of(key: str, value: object, known: Collection[str]) -> Any:
    if value not in known:
        raise ValueError(f"{key} must be one of {', '.join(known)}; is {value!r}")
    return value


def _text(table: Mapping[str, Any], key: str) -> str:
    value = table[key]
    if not isinstance(value, str) or not value.strip():
        raise ValueError(f"{key} must be a text, is {value!r}")
    return value


def _truth(key: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{key} must be true or false, is {value!r}")
    return value


def _number(key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= sys.float_info.max:
        raise ValueError(f"{key} must be a number from 0 up, is {value!r}")
    return float(value)
