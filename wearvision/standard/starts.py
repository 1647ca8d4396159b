"""Where to start, as data: from what the burner does to the checks in order, and where each answer leads."""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

from wearvision.errors import LimitsError, UnknownStart
from wearvision.parts import part_spec
from wearvision.standard.checks import Answer, Check, _known, _reading

ONWARD = "onward"
"""As ``next`` of an answer: the check that follows in the order of the start, or its ``then`` after the last."""

EndKind = Literal["done", "mend", "begin", "technician"]
"""It runs; mend that and begin anew; begin at another start; a licensed technician goes on."""

_FILE = "starts.toml"
_CHECK = {"id", "part", "presses_reset", "computes", "title", "why", "needs", "steps", "cautions", "source", "reading"}
COMPUTES = ("", "reserve air", "nozzle flow")
"""What a walk may compute from a reading."""


@dataclass(frozen=True, slots=True)
class StartCheck(Check):
    """One check on the way; ``part`` is the part to photograph there, empty for none.

    Attributes:
        presses_reset: True for the one check of a start in which reset may be pressed, once.
        computes: What a walk computes from the reading for the person: "reserve air", "nozzle flow" or nothing.
    """

    presses_reset: bool = False
    computes: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The check with all its answers, each with its band or word and where it leads."""
        plain = Check.to_dict(self)
        del plain["modes"]
        if self.reading is not None:
            plain["reading"] |= {"answers": [_plain(answer) for answer in self.reading.answers]}
        plain |= {"photograph": self.part or None, "presses_reset": self.presses_reset}
        return plain | {"computes": self.computes or None}


@dataclass(frozen=True, slots=True)
class Start:
    """One symptom.

    Attributes:
        id: Stable name.
        title: What the burner does, in a few words.
        seen_as: How it shows, one sentence.
        checks: Ids of the checks in order.
        then: Id of the end after the last of them.
    """

    id: str
    title: str
    seen_as: str
    checks: tuple[str, ...]
    then: str

    def to_dict(self) -> dict[str, Any]:
        """The symptom with the ids of its checks in order."""
        return asdict(self) | {"checks": list(self.checks)}


@dataclass(frozen=True, slots=True)
class End:
    """Where a walk stops.

    Attributes:
        id: Stable name.
        kind: What kind of end.
        title: For people.
        text: What to do now.
        source: Where it comes from.
    """

    id: str
    kind: EndKind
    title: str
    text: str
    source: str

    def to_dict(self) -> dict[str, Any]:
        """All fields."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two readings that must fit: (ambient - first) / second lies from ``low`` to ``high``, else both are refused.

    Attributes:
        name: Of the quotient.
        first: Id of the check whose reading is taken from ``ambient``.
        second: Id of the check whose reading divides.
        ambient: What ``first`` reads in fresh air, in its unit.
        low: Lowest quotient that is plausible.
        high: Highest.
        text: What to do when it is not.
        source: Where it comes from.
    """

    name: str
    first: str
    second: str
    ambient: float
    low: float
    high: float
    text: str
    source: str

    def to_dict(self) -> dict[str, Any]:
        """All fields."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Starts:
    """All that a walk needs, each by id."""

    starts: Mapping[str, Start]
    checks: Mapping[str, StartCheck]
    ends: Mapping[str, End]
    pairs: tuple[Pair, ...]

    def start(self, key: str) -> Start:
        """The start of a symptom.

        Raises:
            UnknownStart: there is none of that id.
        """
        if key not in self.starts:
            raise UnknownStart(f"There is no start {key!r}; there are {', '.join(self.starts)}.")
        return self.starts[key]

    def checks_of(self, key: str) -> tuple[StartCheck, ...]:
        """The checks of a start in order.

        Raises:
            UnknownStart: there is none of that id.
        """
        return tuple(self.checks[check] for check in self.start(key).checks)

    def after(self, key: str, check: str, where: str) -> StartCheck | End:
        """What follows a check of a start by an answer's ``next``; both ids must be those of the data."""
        start = self.start(key)
        following = (*start.checks, start.then)[start.checks.index(check) + 1]
        target = following if where == ONWARD else where
        return self.ends[target] if target in self.ends else self.checks[target]

    def to_dict(self, key: str | None = None) -> dict[str, Any]:
        """All that a walk needs, of one start or of all: see the head of ``starts.toml`` for ``next``.

        Raises:
            UnknownStart: there is none of that id.
        """
        starts = [self.start(key)] if key else list(self.starts.values())
        wanted = {check for start in starts for check in start.checks}
        checks = [check for check in self.checks.values() if check.id in wanted]
        reached = {start.then for start in starts}
        reached |= {answer.next for check in checks if check.reading for answer in check.reading.answers}
        return {
            "starts": [start.to_dict() for start in starts],
            "checks": [check.to_dict() for check in checks],
            "ends": [end.to_dict() for end in self.ends.values() if end.id in reached],
            "pairs": [pair.to_dict() for pair in self.pairs if {pair.first, pair.second} <= wanted],
        }


@cache
def load_starts() -> Starts:
    """All starts, in the order of the file.

    Raises:
        LimitsError: a row is wrong, or a way leads nowhere, backwards or past a second press of reset.
    """
    return read_starts(_FILE, files("wearvision.standard").joinpath(_FILE).read_text("utf-8"))


def read_starts(name: str, text: str) -> Starts:
    """Reads a table of starts; see ``load_starts``.

    Args:
        name: Of the file, for messages.
        text: TOML.

    Raises:
        LimitsError: as for ``load_starts``; names file, row and reason.
    """
    try:
        table = tomllib.loads(text)
    except ValueError as error:
        raise LimitsError(f"{name}: not valid TOML ({error}).") from error
    found: dict[str, dict[str, Any]] = {"check": {}, "end": {}, "start": {}, "pair": {}}
    for kind, read in (("check", _check), ("end", _end), ("start", _start), ("pair", lambda row: Pair(**row))):
        for row in table.get(kind, []):
            key = str(row.get("id", f"{row.get('first')} and {row.get('second')}"))
            if any(key in rows for rows in found.values()):
                raise LimitsError(f"{name}: {kind} {key!r}: the name stands there twice.")
            try:
                found[kind][key] = read(row)
            except (KeyError, TypeError, ValueError) as error:
                reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
                raise LimitsError(f"{name}: {kind} {key!r}: {reason}.") from error
    starts = Starts(found["start"], found["check"], found["end"], tuple(found["pair"].values()))
    for start in starts.starts.values():
        if reason := _fault(start, starts):
            raise LimitsError(f"{name}: start {start.id!r}: {reason}.")
    return starts


def _fault(start: Start, starts: Starts) -> str:
    """Why a start cannot be walked, empty if it can: each way leads forward, and reset is pressed in one check."""
    unknown = [key for key in start.checks if key not in starts.checks]
    unknown += [start.then] if start.then not in starts.ends else []
    if unknown or not start.checks:
        return f"there is no check or end {unknown[0]!r}" if unknown else "it has no checks"
    for place, key in enumerate(start.checks):
        reading = starts.checks[key].reading
        for answer in reading.answers if reading else ():
            if answer.next not in {ONWARD, *start.checks[place + 1 :], *starts.ends}:
                return f"check {key!r} leads to {answer.next!r}, which is neither further down in this start nor an end"
    presses = [key for key in start.checks if starts.checks[key].presses_reset]
    return f"reset is pressed in {len(presses)} checks, not in one" if len(presses) != 1 else ""


def _check(row: Mapping[str, Any]) -> StartCheck:
    _known(row, _CHECK, "key")
    _known([row.get("computes", "")], COMPUTES, "computation")
    part = str(row.get("part", ""))
    if part:
        part_spec(part)
    bare = dict(row["reading"])
    nexts = [str(answer["next"]) for answer in bare["answers"]]
    bare["answers"] = [{key: value for key, value in one.items() if key != "next"} for one in bare["answers"]]
    reading = _reading(bare)
    answers = tuple(replace(answer, next=where) for answer, where in zip(reading.answers, nexts, strict=True))
    for key in ("steps", "cautions", "source"):
        if not row[key]:
            raise ValueError(f"{key} is empty")
    return StartCheck(
        id=str(row["id"]),
        part=part,
        title=str(row["title"]),
        why=str(row["why"]),
        needs=tuple(row["needs"]),
        steps=tuple(row["steps"]),
        cautions=tuple(row["cautions"]),
        source=str(row["source"]),
        grades=(),
        modes=(),
        clears=(),
        always=True,
        stands_for="",
        reading=replace(reading, answers=answers),
        presses_reset=bool(row.get("presses_reset", False)),
        computes=str(row.get("computes", "")),
    )


def _end(row: Mapping[str, Any]) -> End:
    _known([row["kind"]], set(get_args(EndKind)), "kind of end")
    return End(**row)


def _start(row: Mapping[str, Any]) -> Start:
    order = tuple(row["checks"])
    if twice := [one for one, other in itertools.pairwise(sorted(order)) if one == other]:
        raise ValueError(f"check {twice[0]!r} stands there twice")
    return Start(row["id"], row["title"], row["seen_as"], order, row["then"])


def _plain(answer: Answer) -> dict[str, Any]:
    """As JSON: no bounds for a word, and None for no upper end."""
    plain: dict[str, Any] = {"says": answer.says, "text": answer.text, "next": answer.next}
    if answer.high > answer.low:
        plain |= {"low": answer.low, "high": None if math.isinf(answer.high) else answer.high}
    return plain | ({"word": answer.word} if answer.word else {})
