"""Readers of texts and plain values: limits, hand checks, policy, gate, readings, confirm, labels and truths.

An input that starts with the byte 1 is not parsed as text: its bytes say how a well-formed table is changed (``Feed``).
"""

from __future__ import annotations

import contextlib
import json
import tempfile
import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from feed import Feed
from target import Target

from wearvision.confirm import confirm, predicted_reading
from wearvision.errors import InputError
from wearvision.faults import FaultKind
from wearvision.labels.label import Label
from wearvision.labels.truth import Truth
from wearvision.parts import PARTS, measure_keys
from wearvision.readings import UNITS, read_quantity, read_readings
from wearvision.standard import load_checks, load_limits
from wearvision.standard.grades import GRADES
from wearvision.standard.limits import override_limits

PROBES = (0.0, 1e-9, 0.01, 0.1, 0.3, 1.0, 5.0, 1e6)
MODES = tuple(mode.key for spec in PARTS.values() for mode in spec.modes)
VIEWS = tuple(view for spec in PARTS.values() for view in spec.views)


@cache
def scratch() -> Path:
    """A folder of this process for inputs that are read from files; in memory where the system has such a place."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None))


@cache
def table(package: str, name: str) -> dict[str, Any]:
    """A table that comes with the program."""
    return tomllib.loads(files(package).joinpath(name).read_text("utf-8"))


def limits(data: bytes) -> None:
    """A limits file is refused in words, or gives grades that only get worse with wear."""
    try:
        if data[:1] == b"\1":
            tables = Feed(data[1:]).changed(table("wearvision.standard", "limits.toml"), LIMITS_WORDS)
            found = override_limits(load_limits(), tables if isinstance(tables, dict) else {}, "site.toml")
        else:
            path = scratch() / "site.toml"
            path.write_bytes(data)
            found = load_limits(path)
            load_checks(path)
    except InputError:
        return
    for row in found.rows.values():
        grades = [GRADES.index(row.grade_of(value)) for value in PROBES]
        assert grades == sorted(grades), row
        for value in PROBES:
            assert row.grade_of(value) in row.grades_of(value), (row, value)


def checks(data: bytes) -> None:
    """A table of hand checks is refused in words, or read."""
    path = scratch() / "checks.toml"
    path.write_bytes(data)
    try:
        load_checks(path)
    except InputError:
        return


def policy(data: bytes) -> None:
    """A policy is refused in words, or its last row always holds."""
    from wearvision_api.returns.policy_table import read_policy

    try:
        found = read_policy("policy.toml", data.decode("utf-8", "replace"))
    except InputError:
        return
    assert not found.rows[-1].when
    json.dumps(found.to_dict(), allow_nan=False)


def gate(data: bytes) -> None:
    """A gate is refused in words, or judges an empty report."""
    from wearvision_api.teaching.gate import judge, read_gate

    try:
        found = read_gate("gate.toml", data.decode("utf-8", "replace"))
    except InputError:
        return
    judge({}, found)


def readings(data: bytes) -> None:
    """What a person enters for a hand check is understood or refused in words."""
    feed = Feed(data)
    check = feed.one_of([row for row in load_checks().rows.values() if row.reading])
    if feed.byte() % 4:
        value: Any = feed.rest().decode("utf-8", "surrogateescape")
    else:
        value = feed.plain(READING_WORDS)
    with contextlib.suppress(InputError):
        read_readings(check.part, {check.id: value}, load_checks())
    try:
        found = read_quantity("value", str(value), feed.one_of(list(UNITS)))
    except InputError:
        return
    assert found >= 0


def confirmed(data: bytes) -> None:
    """A report that was changed, with readings that make no sense, gives a verdict or is refused in words."""
    feed = Feed(data)
    changed = feed.changed(REPORT, REPORT_WORDS)
    report = changed if isinstance(changed, dict) else {}
    given = (
        feed.plain(READING_WORDS) if feed.byte() % 3 else [{"check": "cell-lit", "value": feed.plain(READING_WORDS)}]
    )
    given = given if isinstance(given, dict | list) else [given]
    clean = feed.one_of([None, None, 650.0, 0.0, -1.0, float("nan"), float("inf")])
    for step in (lambda: confirm(report, given, clean_ohm=clean), lambda: predicted_reading(report, clean_ohm=clean)):
        try:
            found = step()
        except InputError:
            continue
        if found is not None and hasattr(found, "standing"):
            assert found.grade in (None, *GRADES)
            found.to_dict()


def label(data: bytes) -> None:
    """A label is refused by the name of a field, or comes back from JSON as it was."""
    _round_trip(data, LABEL, LABEL_WORDS, lambda body: Label.read(body, load_limits()), lambda one: one.to_dict())


def truth(data: bytes) -> None:
    """A truth is refused by the name of a field, or comes back from JSON as it was."""
    _round_trip(data, TRUTH, LABEL_WORDS, Truth.read, lambda one: one.to_dict())


def _round_trip(
    data: bytes, model: Any, words: Sequence[Any], read: Callable[[Any], Any], plain: Callable[[Any], Any]
) -> None:
    if data[:1] == b"\1":
        body = Feed(data[1:]).changed(model, words)
    else:
        try:
            body = json.loads(data)
        except (ValueError, RecursionError):
            return
    try:
        found = read(body)
    except InputError:
        return
    again = read(json.loads(json.dumps(plain(found), allow_nan=False)))
    assert plain(again) == plain(found)


def _toml(package: str, name: str) -> Callable[[], Sequence[bytes]]:
    return lambda: [b"\1", files(package).joinpath(name).read_bytes()[:4000], *PIECES]


def _words(*texts: Sequence[Any]) -> list[bytes]:
    return sorted({str(one).encode("utf-8", "surrogateescape") for group in texts for one in group if str(one)})


PIECES = (
    b'id = "x"\n[flame_cell.haze]\nserviceable_below = 0.08\nclean_from = 0.12\n',
    b"a = " + b"[" * 20 + b"]" * 20,
)
THRESHOLDS = (
    "serviceable_below",
    "clean_from",
    "clean_to",
    "replace_from",
    "any_is_replace",
    "source",
    "unit",
    "mode",
    "id",
)
LIMITS_WORDS: list[Any] = [
    *PARTS,
    *MODES,
    *(key.split(".")[-1] for key in measure_keys()),
    *THRESHOLDS,
    "1",
    "mm",
    0.05,
    0.1,
    0.2,
    0.5,
    1,
    True,
]
TOML_WORDS = _words(
    LIMITS_WORDS,
    ["[[row]]", "[[check]]", " = ", '"""', "'''", "0x", "1e400", "nan", "inf", "1979-05-27", "[", "{", "\\u", "#"],
)
READING_WORDS: list[Any] = [
    *load_checks().rows,
    "check",
    "id",
    "value",
    "unit",
    "low",
    "high",
    "flashes",
    *UNITS,
    "kohm",
    "psi",
    "open",
    "3 flashes",
    "800-1600",
    "1.65 kohm",
    "1/0",
    "3/16 in",
    650,
    1650,
    0,
    3,
]
REPORT: Mapping[str, Any] = {
    "part": {"name": "flame_cell", "probability": 0.9, "view": "face"},
    "grade": "replace",
    "possible_grades": ["clean-and-reuse", "replace"],
    "measures": [
        {"name": mode.measure, "mode": mode.key, "value": 0.2, "low": 0.1, "high": 0.3, "unit": "1", "grade": "replace"}
        for mode in PARTS["flame_cell"].modes
    ],
    "checks": [{"id": "cell-lit"}],
}
REPORT_WORDS: list[Any] = [*PARTS, *MODES, *GRADES, *REPORT, "name", "mode", "value", "low", "high", 0.1, 0.9, None]
_SHAPE = {"shape": "outline", "points": [[0.2, 0.2], [0.8, 0.2], [0.8, 0.8], [0.2, 0.8]]}
LABEL: Mapping[str, Any] = {
    "part": "flame_cell",
    "view": "face",
    "fit": True,
    "faults": [],
    "grade": "clean-and-reuse",
    "modes": {mode.key: "absent" for mode in PARTS["flame_cell"].modes[1:]}
    | {PARTS["flame_cell"].modes[0].key: "clean-and-reuse"},
    "marks": {},
    "matches": {},
    "regions": {"part": [_SHAPE]},
    "note": "",
}
TRUTH: Mapping[str, Any] = {
    "part": "flame_cell",
    "view": "face",
    "fit": True,
    "faults": [],
    "grade": "replace",
    "acceptable_grades": ["replace"],
    "bounds": {PARTS["flame_cell"].modes[0].measure: {"low": 0.1, "high": 0.3, "value": 0.2, "source": "reading"}},
    "at_least": None,
    "rank": "one",
}
LABEL_WORDS: list[Any] = [
    *PARTS,
    *VIEWS,
    *MODES,
    *GRADES,
    *map(str, FaultKind),
    *LABEL,
    *TRUTH,
    *(key.split(".")[-1] for key in measure_keys()),
    "none",
    "absent",
    "not-seen",
    "shape",
    "points",
    "erase",
    "radius",
    "outline",
    "line",
    "polygon",
    "brush",
    "low",
    "high",
    "value",
    "source",
    "modes",
    "reading",
    "third",
    0.1,
    0.5,
    0.9,
    1,
    True,
    _SHAPE,
]

TARGETS = (
    Target("limits", limits, _toml("wearvision.standard", "limits.toml"), TOML_WORDS, 2048),
    Target("hand-checks", checks, _toml("wearvision.standard", "checks.toml"), TOML_WORDS, 4096),
    Target("policy", policy, _toml("wearvision_api.returns", "policy.toml"), TOML_WORDS, 4096),
    Target("gate", gate, _toml("wearvision_api.teaching", "gate.toml"), TOML_WORDS, 4096),
    Target(
        "readings", readings, lambda: [b"\0\1" + text for text in _words(READING_WORDS)], _words(READING_WORDS), 256
    ),
    Target("confirm", confirmed, lambda: [bytes(64), bytes(range(64))], (), 512),
    Target("label", label, lambda: [b"\1", json.dumps(LABEL).encode()], _words(LABEL_WORDS), 2048),
    Target("truth", truth, lambda: [b"\1", json.dumps(TRUTH).encode()], _words(LABEL_WORDS), 2048),
)
