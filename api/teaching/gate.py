"""The gate as data: what a new model must show, row by row, and what a report comes to before it."""

from __future__ import annotations

import hashlib
import json
import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, get_args

from wearvision.errors import InputError
from wearvision.parts import PARTS

On = Literal["held_out", "parts.all", "parts.each", "synthetic"]
Rule = Literal["at least", "no more than old", "low at least", "new at least", "new at most old plus"]
_FILE = "gate.toml"
_KEYS = frozenset({"id", "on", "figure", "rule", "number", "least", "needed", "text", "source"})
_NAMES = {
    "photos": "photos",
    "missed": "dangerous misses",
    "f1_difference": "difference in macro-F1",
    "in_set": "in-set",
}


class GateError(InputError):
    """A gate file is wrong; the message names file, row and key."""

    code = "bad_gate"


@dataclass(frozen=True, slots=True)
class GateRow:
    """One demand; ``gate.toml`` tells what the fields mean."""

    id: str
    on: On
    figure: str
    rule: Rule
    text: str
    source: str
    number: float = 0.0
    least: int = 1
    needed: bool = True


@dataclass(frozen=True, slots=True)
class Gate:
    """A whole gate; ``sha256`` is the fingerprint of all that it says."""

    id: str
    sha256: str
    rows: tuple[GateRow, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """What one row came to.

    Attributes:
        id: Of the gate's row; behind a colon the part, where it is about one.
        passed: None: it could not judge, and need not.
        text: What was found beside what is asked, in words.
        asked: What the row asks for, in words.
        source: Of the demand.
    """

    id: str
    passed: bool | None
    text: str
    asked: str
    source: str


@cache
def _standard() -> Gate:
    return read_gate(_FILE, files("wearvision_api.teaching").joinpath(_FILE).read_text("utf-8"))


def load_gate(path: Path | None = None) -> Gate:
    """The gate in force.

    Args:
        path: A site's own file; None: the one that comes with the service.

    Raises:
        GateError: the file cannot be read, or a row is wrong.
    """
    if path is None:
        return _standard()
    try:
        return read_gate(str(path), path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise GateError(f"{path} cannot be read: {error}.") from error


def read_gate(name: str, text: str) -> Gate:
    """A gate from TOML.

    Args:
        name: Of the file, for messages.
        text: Its content.

    Raises:
        GateError: it is no gate.
    """
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise GateError(f"{name} is not valid TOML: {error}.") from error
    rows = table.get("row")
    if not isinstance(table.get("id"), str) or not isinstance(rows, list) or not rows:
        raise GateError(f"{name} needs an id and at least one [[row]].")
    read = tuple(_row(name, row) for row in rows)
    ids = [row.id for row in read]
    if len(set(ids)) < len(ids):
        raise GateError(f"{name} has two rows of one id.")
    said = json.dumps([table["id"], [asdict(row) for row in read]], sort_keys=True)
    return Gate(table["id"], hashlib.sha256(said.encode()).hexdigest(), read)


def _row(name: str, row: Any) -> GateRow:
    where = f"{name}, row {row.get('id', '?') if isinstance(row, dict) else '?'}"
    if not isinstance(row, dict):
        raise GateError(f"{where}: it is no table.")
    if odd := set(row) - _KEYS:
        raise GateError(f"{where}: there is no key {', '.join(sorted(odd))}.")
    for key in ("id", "on", "figure", "rule", "text", "source"):
        if not isinstance(row.get(key), str) or not row[key]:
            raise GateError(f"{where}: {key} is missing.")
    if ":" in row["id"]:  # behind it stands the part that a row is about
        raise GateError(f"{where}: an id holds no colon.")
    for key, kinds in (("on", On), ("rule", Rule)):
        if row[key] not in get_args(kinds):
            raise GateError(f"{where}: {key} is one of {', '.join(get_args(kinds))}, not {row[key]!r}.")
    number, least, needed = row.get("number", 0.0), row.get("least", 1), row.get("needed", True)
    if isinstance(number, bool) or not isinstance(number, int | float) or not abs(number) <= sys.float_info.max:
        raise GateError(f"{where}: number is a number, not {number!r:.40}.")
    if isinstance(least, bool) or not isinstance(least, int) or least < 1:
        raise GateError(f"{where}: least is a whole number from 1 on, not {least!r}.")
    if not isinstance(needed, bool):
        raise GateError(f"{where}: needed is true or false, not {needed!r}.")
    texts = {key: row[key] for key in ("id", "on", "figure", "rule", "text", "source")}
    return GateRow(**texts, number=float(number), least=least, needed=needed)


def judge(report: Mapping[str, Any], gate: Gate) -> tuple[Row, ...]:
    """What a report of old against new comes to before a gate; a figure that is not there never passes.

    Args:
        report: As the retraining writes it.
        gate: In force.
    """
    return tuple(_judged(row, key, subject) for row in gate.rows for key, subject in _subjects(row, report))


def holds(rows: tuple[Row, ...]) -> bool:
    """Whether the gate is passed."""
    return all(row.passed is not False for row in rows)


def verdict(report: Mapping[str, Any], gate: Gate) -> dict[str, Any]:
    """What is kept of a judgement: the gate's name and fingerprint, whether it is passed, and the rows."""
    rows = judge(report, gate)
    return {"id": gate.id, "sha256": gate.sha256, "passed": holds(rows), "rows": [asdict(row) for row in rows]}


def _subjects(row: GateRow, report: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    parts = _table(report, "parts")
    if row.on == "parts.each":
        for part in PARTS:
            yield f"{row.id}:{part}", _table(parts, part)
    elif row.on == "parts.all":
        yield row.id, _table(parts, "all")
    else:
        yield row.id, _table(report, row.on)


def _judged(row: GateRow, key: str, subject: Mapping[str, Any]) -> Row:
    part = key.partition(":")[2]
    title = f"{PARTS[part].title.capitalize()}: " if part else ""
    passed, found = _found(row, subject)
    if passed is None and row.needed:
        passed = False
    return Row(key, passed, title + found, row.text, row.source)


def _found(row: GateRow, subject: Mapping[str, Any]) -> tuple[bool | None, str]:
    """Whether the row holds, and what was found in words; None where there is too little to judge."""
    name = _NAMES.get(row.figure, row.figure)
    if row.rule == "at least":
        value = _number(subject, row.figure)
        if value is None:
            return None, f"the report does not tell the {name}"
        return value >= row.number, f"{value:g} {name}, asked for {row.number:g}"
    if row.rule == "low at least":
        figure = _table(subject, row.figure)
        low, value, of = _number(figure, "low"), _number(figure, "value"), _number(figure, "of") or 0
        if low is None or value is None or of < row.least:
            return None, f"too few photos to tell the {name} ({of:g}, asked for {row.least})"
        high = _number(figure, "high")
        reach = f"[{low:+.2f}, {'' if high is None else f'{high:+.2f}'}]"
        return low >= row.number, f"{name} {value:+.2f} {reach}, n {of:g}; may reach down to {row.number:+.2f}"
    old, new = (_table(_table(subject, side), row.figure) for side in ("old", "new"))
    of = _number(new, "of") or 0
    values = _number(old, "value"), _number(new, "value")
    if row.rule == "no more than old":
        if old.get("of") is None or new.get("of") is None:
            return None, f"the report does not tell the {name}"
        if of < row.least:
            return None, f"too few photos to tell the {name} ({of:g}, asked for {row.least})"
        before, after = _count(old), _count(new)
        return after <= before, f"{after} {name} of {of:g}, the old model has {before}"
    if values[1] is None or of < row.least:
        return None, f"too few photos to tell the {name} ({of:g}, asked for {row.least})"
    if row.rule == "new at least":
        return values[1] >= row.number, f"{name} {values[1]:.2f}, n {of:g}; asked for {row.number:.2f}"
    if values[0] is None:
        return None, f"the report does not tell the old model's {name}"
    most = values[0] + row.number
    return values[1] <= most + 1e-12, f"share of {name} {values[1]:.3f}, the old model's {values[0]:.3f}; n {of:g}"


def _count(figure: Mapping[str, Any]) -> int:
    """How often it happened, from the count itself or from share and number."""
    hits = _number(figure, "hits")
    return round(hits if hits is not None else (_number(figure, "value") or 0.0) * (_number(figure, "of") or 0.0))


def _table(report: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = report.get(key)
    return found if isinstance(found, Mapping) else {}


def _number(table: Mapping[str, Any], key: str) -> float | None:
    value = table.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
