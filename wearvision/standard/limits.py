"""Limits of the wear standard: which value of a measure is which grade, and how a site overrides a row."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import sys
import tomllib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

from wearvision.errors import LimitsError
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES, Grade, worst

_THRESHOLDS = ("serviceable_below", "clean_from", "clean_to", "replace_from")
_KEYS = ("mode", "unit", *_THRESHOLDS, "any_is_replace", "source")
_UNITS = ("1", "mm", "deg")
_OTHER_ROOMS = ("check",)
"""A site's one file may hold hand checks too; ``checks.py`` reads those."""


class LabelGrade(NamedTuple):
    """What the truth of a labelled picture is: the grade, all right answers, and whether a guard band was hit."""

    grade: Grade
    acceptable: tuple[Grade, ...]
    borderline: bool


@dataclass(frozen=True, slots=True)
class Row:
    """The limits of one measure, all in ``unit``; None where the standard has a dash.

    Attributes:
        part: Key of the registered part.
        measure: The measure's name.
        mode: The wear mode that it measures.
        unit: ``"1"`` for a ratio.
        serviceable_below: Values under it are serviceable; with ``any_is_replace`` the detection floor.
        clean_from: From here on clean-and-reuse.
        clean_to: The last value that is surely clean-and-reuse.
        replace_from: From here on replace.
        any_is_replace: Anything over the floor is replace, as for a crack in ceramic.
        source: Where the numbers come from.
    """

    part: str
    measure: str
    mode: str
    unit: str
    serviceable_below: float
    clean_from: float | None = None
    clean_to: float | None = None
    replace_from: float | None = None
    any_is_replace: bool = False
    source: str = ""

    @property
    def grades(self) -> tuple[Grade, ...]:
        """The grades that this mode can give, best first."""
        return (GRADES[0], *(grade for _, grade in self.splits))

    @property
    def splits(self) -> tuple[tuple[float, Grade], ...]:
        """From which value on which grade holds, guard bands split at their middle, rising."""
        below, clean, to, bad = (getattr(self, name) for name in _THRESHOLDS)
        if self.any_is_replace:
            return ((below, "replace"),)
        if clean is None:
            return ((_middle(below, bad), "replace"),)
        first: tuple[float, Grade] = (_middle(below, clean), "clean-and-reuse")
        return (first,) if bad is None else (first, (_middle(to, bad), "replace"))

    def grade_of(self, value: float) -> Grade:
        """One grade for a value: a guard band is split at its middle. ValueError for NaN."""
        if math.isnan(value):
            raise ValueError(f"{self.part}.{self.measure} is not a number")
        return worst([GRADES[0], *(grade for at, grade in self.splits if value >= at)])

    def grades_of(self, value: float) -> tuple[Grade, ...]:
        """Every grade that is a right answer for a true value: one, or all that its guard band touches."""
        if math.isnan(value):
            raise ValueError(f"{self.part}.{self.measure} is not a number")
        if value < self.serviceable_below:
            return ("serviceable",)
        if self.any_is_replace or (self.replace_from is not None and value >= self.replace_from):
            return ("replace",)
        if self.clean_from is None:
            return ("serviceable", "replace")
        if value < self.clean_from:
            return ("serviceable", "clean-and-reuse")
        if self.clean_to is None or value <= self.clean_to:
            return ("clean-and-reuse",)
        return ("clean-and-reuse", "replace")

    def reachable(self, low: float, high: float) -> tuple[Grade, ...]:
        """Every grade that ``grade_of`` gives somewhere in [low, high], best first."""
        best, last = GRADES.index(self.grade_of(low)), GRADES.index(self.grade_of(high))
        return tuple(grade for grade in self.grades if best <= GRADES.index(grade) <= last)

    def borderline(self, value: float) -> bool:
        """True in a guard band; for ``any_is_replace`` from the floor to where a value is scored."""
        if self.any_is_replace:
            return self.replace_from is not None and self.serviceable_below <= value < self.replace_from
        return len(self.grades_of(value)) > 1


@dataclass(frozen=True, slots=True)
class Limits:
    """All rows in force.

    Attributes:
        id: Name of the table, with the site's own where rows were overridden.
        sha256: Hash of what decides (not of sources): equal hashes grade alike.
        rows: By (part, measure).
    """

    id: str
    sha256: str
    rows: Mapping[tuple[str, str], Row]

    def row(self, part: str, measure: str) -> Row:
        """The row of a measure; KeyError where the standard has none."""
        try:
            return self.rows[part, measure]
        except KeyError:
            raise KeyError(f"the limits {self.id!r} have no row {part}.{measure}") from None

    def of_part(self, part: str) -> tuple[Row, ...]:
        """The rows of a part, in the order of its modes."""
        return tuple(row for row in self.rows.values() if row.part == part)

    def grade_part(self, part: str, values: Mapping[str, float | None]) -> LabelGrade:
        """The grade of a part whose true measures are known; worst mode wins.

        Args:
            part: Key of the part.
            values: Measure to true value, in the row's unit; None for what the picture does not show.

        Returns:
            The grade with guard bands split, every grade that the guard bands make a right answer, and
            whether some value lies in a guard band.

        Source: the wear standard, "guard band" and "worst of any of its wear modes".
        """
        known = [(self.row(part, name), value) for name, value in values.items() if value is not None]
        return LabelGrade(
            worst([row.grade_of(value) for row, value in known]),
            worst_of(row.grades_of(value) for row, value in known) or (GRADES[0],),
            any(row.borderline(value) for row, value in known),
        )


def worst_of(sets: Iterable[Collection[Grade]]) -> tuple[Grade, ...]:
    """Every worst grade of all ways to take one grade from each set, best first; empty for no sets.

    A grade comes out when some set holds it and no set lies wholly above it.

    Example:
        >>> worst_of([("serviceable", "replace"), ("clean-and-reuse",)])
        ('clean-and-reuse', 'replace')
    """
    ranks = [sorted(GRADES.index(grade) for grade in grades) for grades in sets]
    if not ranks:
        return ()
    floor = max(rank[0] for rank in ranks)
    return tuple(GRADES[i] for i in sorted({i for rank in ranks for i in rank}) if i >= floor)


@cache
def _standard() -> Limits:
    name = "limits.toml"
    base = _read(name, files("wearvision.standard").joinpath(name).read_bytes())
    rows: dict[tuple[str, str], Row] = {}
    for part, spec in PARTS.items():
        for mode in spec.modes:
            table = base.get(part, {}).get(mode.measure)
            if table is None:
                raise LimitsError(f"{name}: row {part}.{mode.measure} is missing.")
            rows[part, mode.measure] = _row(name, Row(part, mode.measure, mode.key, "", math.nan), table)
    return _limits(str(base["id"]), rows)


def load_limits(override: str | Path | None = None) -> Limits:
    """The wear standard's limits, with a site's rows in place of those that its file names.

    Args:
        override: A TOML file with ``[part.measure]`` tables; a key that it leaves out keeps its value.

    Raises:
        LimitsError: the file cannot be read, or a row or key is unknown, a unit is wrong, a value is no
            number, or bands cross; the message names file, row and reason.
    """
    limits = _standard()
    if override is None:
        return limits
    path = Path(override)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LimitsError(f"{path}: cannot be read ({error.strerror}). Give a TOML file of limits.") from error
    return override_limits(limits, _read(path.name, data), path.name)


def override_limits(limits: Limits, tables: Mapping[str, Any], name: str) -> Limits:
    """Limits with some rows overridden.

    Args:
        limits: What holds where ``tables`` is silent.
        tables: Part to measure to keys, as in a limits file; ``id`` may name the whole.
        name: Of the file, for messages.

    Raises:
        LimitsError: as ``load_limits``.
    """
    rows = dict(limits.rows)
    for part, measures in tables.items():
        if part == "id" or part in _OTHER_ROOMS:
            continue
        if part not in PARTS or not isinstance(measures, Mapping):
            raise LimitsError(f"{name}: row {part}: no such part; known are {', '.join(PARTS)}.")
        for measure, table in measures.items():
            if (part, measure) not in rows or not isinstance(table, Mapping):
                known = ", ".join(row.measure for row in limits.of_part(part))
                raise LimitsError(f"{name}: row {part}.{measure}: no such row; {part} has {known}.")
            table = {"source": f"set in {name}, no source given", **table}
            rows[part, measure] = _row(name, rows[part, measure], table)
    own = tables.get("id", f"{limits.id}+{Path(name).stem}")
    if not isinstance(own, str) or not own:
        raise LimitsError(f"{name}: id: must be a text, is {own!r}.")
    return _limits(own, rows)


def _middle(low: float, high: float) -> float:
    return (low + high) / 2


def _limits(name: str, rows: Mapping[tuple[str, str], Row]) -> Limits:
    deciding = [{key: value for key, value in asdict(row).items() if key != "source"} for row in rows.values()]
    text = json.dumps(deciding, sort_keys=True, separators=(",", ":"))
    return Limits(name, hashlib.sha256(text.encode()).hexdigest(), dict(rows))


def _read(name: str, data: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:  # bad UTF-8, bad TOML, lists in lists without end
        raise LimitsError(f"{name}: not valid TOML in UTF-8 ({error}).") from error


def _row(name: str, base: Row, table: Mapping[str, Any]) -> Row:
    """``base`` with the keys of ``table``, checked."""
    where = f"{name}: row {base.part}.{base.measure}"
    for key, value in table.items():
        if key not in _KEYS:
            raise LimitsError(f"{where}: unknown key {key!r}; known are {', '.join(_KEYS)}.")
        _check_value(where, base, key, value)
    changes: dict[str, Any] = {key: float(value) if key in _THRESHOLDS else value for key, value in table.items()}
    row = replace(base, **changes)
    reason = _fault(row)
    if reason:
        raise LimitsError(f"{where}: {reason}.")
    return row


def _check_value(where: str, base: Row, key: str, value: object) -> None:
    if key in _THRESHOLDS:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise LimitsError(f"{where}: {key} must be a number, is {value!r}.")
        if not 0 <= value <= sys.float_info.max:  # an integer of TOML may be longer than any float
            raise LimitsError(f"{where}: {key} must be finite and not negative, is {value!r:.40}.")
    elif key == "any_is_replace":
        if not isinstance(value, bool):
            raise LimitsError(f"{where}: {key} must be true or false, is {value!r}.")
    elif not isinstance(value, str):
        raise LimitsError(f"{where}: {key} must be a text, is {value!r}.")
    elif key == "mode" and value != base.mode:
        raise LimitsError(f"{where}: mode is {base.mode!r} and cannot be {value!r}.")
    elif key == "unit" and (value not in _UNITS or base.unit not in ("", value)):
        raise LimitsError(f"{where}: unit must be {base.unit or ' or '.join(_UNITS)!r}, is {value!r}.")
    elif key == "source" and not value.strip():
        raise LimitsError(f"{where}: source is empty; say where the numbers come from.")


def _fault(row: Row) -> str:
    """What is wrong with a row as a whole; empty when nothing is."""
    missing = [field.name for field in fields(row) if getattr(row, field.name) in ("", None)]
    if "unit" in missing or "source" in missing or math.isnan(row.serviceable_below):
        return "needs serviceable_below, unit and source"
    if row.clean_from is None and row.replace_from is None:
        return "needs clean_from or replace_from, else it could never say anything but serviceable"
    if (row.clean_to is None) != (row.clean_from is None or row.replace_from is None):
        return "clean_to belongs with both clean_from and replace_from, and only there"
    if row.any_is_replace and (row.replace_from is None or row.clean_from is not None):
        return "any_is_replace needs replace_from and allows no clean_from"
    given = [(key, getattr(row, key)) for key in _THRESHOLDS if getattr(row, key) is not None]
    for (left, low), (right, high) in itertools.pairwise(given):
        if low > high:
            return f"bands cross: {left} {low:g} lies above {right} {high:g}"
    return ""
