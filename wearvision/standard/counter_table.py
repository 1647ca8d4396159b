"""Reads the table of checks at the counter: comparisons, and the hand checks that serve there as they stand.

``counter.py`` is the door to them and judges what is entered.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Mapping
from typing import Any, get_args

from wearvision.errors import LimitsError
from wearvision.parts import PARTS
from wearvision.readings import UNITS
from wearvision.standard.checks import Check, Checks, _known
from wearvision.standard.counter_rows import (
    ENTRY,
    SAYS_AT_COUNTER,
    CounterCheck,
    CounterField,
    CounterSays,
    Judged,
    Outcome,
)

NEEDED: Mapping[str, tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = {
    "hand check": ((), (), ()),
    "lit ratio": (
        ("adapted", "lit_good", "lit_part", "lit_wiped"),
        ("good_below", "short_below", "cured_from"),
        ("not adapted", "good one out", "open", "short", "comes and goes", "wiping cured it"),
    ),
    "dark ratio": (
        ("adapted", "waited", "dark_good", "dark_part"),
        ("low_ratio",),
        (
            "not adapted",
            "not waited",
            "good one out",
            "open",
            "dark enough",
            "low beside the good one",
            "in between",
            "leaky",
        ),
    ),
}
"""Fields, settings and outcomes that each way of judging stands on."""
BANDS = ("found", "wiped")
"""What a band of a lit ratio is of."""

_TAKEN = {"part", "hand_check", "required", "says", "note"}
_OWN = {"id", "part", "judged", "hand_limit", "required", "title", "why", "needs", "steps", "cautions", "source"}
_OWN |= {"settings", "field", "outcome"}


def read_counter(name: str, text: str, checks: Checks) -> dict[str, CounterCheck]:
    """Reads a table of checks at the counter.

    Args:
        name: Of the file, for messages.
        text: TOML.
        checks: The hand checks in force.

    Raises:
        LimitsError: a row is wrong; names file, row and reason.
    """
    try:
        rows = tomllib.loads(text).get("check", [])
    except ValueError as error:
        raise LimitsError(f"{name}: not valid TOML ({error}).") from error
    found: dict[str, CounterCheck] = {}
    for row in rows if isinstance(rows, list) else [rows]:
        key = str(row.get("id", row.get("hand_check", "without id"))) if isinstance(row, Mapping) else repr(row)
        try:
            check = _taken(row, checks) if "hand_check" in row else _own(row, checks)
        except (AttributeError, KeyError, TypeError, ValueError) as error:
            reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
            raise LimitsError(f"{name}: check {key!r}: {reason}.") from error
        if key in found:
            raise LimitsError(f"{name}: check {key!r}: stands there twice.")
        found[key] = check
    return found


def _taken(row: Mapping[str, Any], checks: Checks) -> CounterCheck:
    """A hand check that serves at the counter as it stands."""
    _known(row, _TAKEN, "key")
    _known([row["hand_check"]], set(checks.rows), "hand check")
    base: Check = checks.rows[row["hand_check"]]
    if base.part != row["part"] or base.reading is None:
        raise ValueError(f"is no hand check of {row['part']!r} with a reading")
    says = dict(row.get("says", {}))
    _known(says, set(SAYS_AT_COUNTER), "saying")
    _known(says.values(), set(get_args(CounterSays)), "saying at the counter")
    entry = CounterField(ENTRY, base.reading.quantity, base.reading.unit, base.reading.words)
    return CounterCheck(
        **{key: getattr(base, key) for key in ("id", "part", "title", "why", "needs", "steps", "cautions", "source")},
        required=bool(row.get("required", False)),
        fields=(entry,),
        judged="hand check",
        modes=base.modes,
        clears=base.clears,
        note=str(row.get("note", "")),
        says={**SAYS_AT_COUNTER, **says},
    )


def _own(row: Mapping[str, Any], checks: Checks) -> CounterCheck:
    """A comparison beside a known-good part."""
    _known(row, _OWN, "key")
    _known([row["part"]], set(PARTS), "part")
    _known([row["judged"]], set(get_args(Judged)) - {"hand check"}, "way of judging")
    if row["judged"] == "dark ratio":
        _known([row["hand_limit"]], {key for key, one in checks.rows.items() if one.reading}, "hand check")
    if not str(row["source"]).strip():
        raise ValueError("source is empty; say where it comes from")
    texts: dict[str, Any] = {key: str(row[key]) for key in ("id", "part", "title", "why", "source")}
    lists: dict[str, Any] = {key: tuple(map(str, row[key])) for key in ("needs", "steps", "cautions")}
    check = CounterCheck(
        **texts,
        **lists,
        required=bool(row.get("required", False)),
        fields=tuple(_field(one) for one in row["field"]),
        judged=row["judged"],
        settings={key: float(value) for key, value in row.get("settings", {}).items()},
        outcomes=tuple(_outcome(one) for one in row["outcome"]),
        hand_limit=str(row.get("hand_limit", "")),
    )
    fields, settings, names = NEEDED[check.judged]
    lacking = set(fields) - {one.key for one in check.fields}
    lacking |= set(settings) - set(check.settings)
    lacking |= set(names) - {one.name for one in check.outcomes}
    if lacking:
        raise ValueError(f"{check.judged!r} needs {', '.join(sorted(lacking))}")
    if not all(value > 0 and math.isfinite(value) for value in check.settings.values()):
        raise ValueError("settings must be positive and finite")
    if check.judged == "lit ratio":
        for of in BANDS:
            _whole([one for one in check.outcomes if one.of == of], of)
    return check


def _whole(bands: list[Outcome], of: str) -> None:
    """Raises ValueError unless the bands run from 0 without hole to no end."""
    edges = sorted((one.low, one.high) for one in bands)
    joined = all(end == start for (_, end), (start, _) in itertools.pairwise(edges))
    if not edges or edges[0][0] != 0 or edges[-1][1] != math.inf or not joined:
        raise ValueError(f"bands of {of!r} must run from 0 without a hole to no end")


def _field(row: Mapping[str, Any]) -> CounterField:
    _known(row, {"key", "title", "unit", "words", "optional"}, "key of the field")
    unit = row.get("unit", "")
    if unit:
        _known([unit], set(UNITS), "unit")
    return CounterField(
        str(row["key"]), str(row["title"]), unit, tuple(map(str, row.get("words", ()))), not row.get("optional", False)
    )


def _outcome(row: Mapping[str, Any]) -> Outcome:
    _known(row, {"name", "says", "text", "of", "from", "below"}, "key of the outcome")
    _known([row["says"]], set(get_args(CounterSays)), "saying")
    of, low, high = row.get("of", ""), float(row.get("from", 0)), float(row.get("below", math.inf))
    if of:
        _known([of], set(BANDS), "kind of band")
    if not low < high:
        raise ValueError(f"band from {low:g} to below {high:g} is empty")
    return Outcome(str(row["name"]), row["says"], str(row["text"]), of, low, high)
