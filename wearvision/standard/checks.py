"""Hand checks as data: what to do, what to read, and what a reading says about which mode."""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, get_args

from wearvision.errors import LimitsError
from wearvision.parts import PARTS, part_spec
from wearvision.standard.grades import GRADES, Grade

DEFERENCE = (
    "The equipment maker's manual, the local code and licensed practice win over everything said here. "
    "A measurement wins over the photo; the maker's manual wins over both."
)

CAUTIONS: tuple[str, ...] = (
    "Shut down, isolate, lock and tag, release stored energy, and verify that it is dead before you touch anything.",
    "Press reset once only: each further press pumps oil into the chamber, and the next light-off can be violent.",
    "Before every restart look into the chamber for oil, leave the door ajar to vent, and stand to the side.",
    "Ignition high voltage kills: it is never measured with an ordinary meter and never drawn to a screwdriver.",
    "Never leave the flame terminals jumpered: it takes flame proving away. Test flame proving after the work.",
    "Let hot parts cool. Wear gloves and eye protection, ventilate, and check for carbon monoxide afterwards.",
    "Live tests are for a trained, licensed service technician only.",
)
"""Shown with every set of checks. Source: handbook section 9 (29 CFR 1910.147(d); trade training texts)."""

Says = Literal["good", "clean", "replace", "again", "elsewhere", "adjust"]
"""What a reading says: the modes are fine; clean and reuse; replace; it has to be taken again first; the fault
lies elsewhere than in this part; a setting is out, which is not wear."""

_CHECK = {"id", "part", "modes", "clears", "grades", "always", "stands_for", "title", "why"}
_CHECK |= {"needs", "steps", "cautions", "source"}
_READING = {"quantity", "unit", "expect", "warn", "usual", "required", "layers", "answers"}


@dataclass(frozen=True, slots=True)
class Answer:
    """One possible outcome of a reading: a band [low, high), a word, or a blink code of a control.

    Attributes:
        says: What follows.
        text: One sentence for a person.
        low: Lower end, belongs to the band.
        high: Upper end, does not belong to it.
        word: The word that stands for it; with a band too, the word is another way to enter it.
        code: Number of flashes of the control's own read-out.
        next: Where a walk from a symptom goes on; empty for the hand checks of a part.
    """

    says: Says
    text: str
    low: float = -math.inf
    high: float = -math.inf
    word: str = ""
    code: int | None = None
    next: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """What is read off, in which unit, and what each outcome says.

    Attributes:
        quantity: What is measured.
        unit: ``"ohm"``, ``"Mohm"``, ``"mm"``, ``"1"``, or ``""`` where the reading is a word.
        expect: ``low``/``high`` of a good reading, or ``text``.
        warn: Band in which sources disagree or caution is due; empty for none.
        usual: Band of a good part in good order; empty for none.
        answers: All outcomes.
        required: True if a verdict of this part is not confirmed without it.
        layers: Measures whose light loss the photocell law turns into this reading; empty for none.
    """

    quantity: str
    unit: str
    expect: Mapping[str, float | str]
    answers: tuple[Answer, ...]
    warn: Mapping[str, float] = field(default_factory=dict)
    usual: Mapping[str, float] = field(default_factory=dict)
    required: bool = False
    layers: tuple[str, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """The words that may be entered."""
        return tuple(answer.word for answer in self.answers if answer.word)

    def to_dict(self) -> dict[str, Any]:
        """The reading as it stands in a report."""
        out: dict[str, Any] = {"quantity": self.quantity, "unit": self.unit, "expect": dict(self.expect)}
        if self.warn:
            out["warn"] = dict(self.warn)
        if self.words:
            out["words"] = list(self.words)
        codes = {str(answer.code): [answer.low, answer.high] for answer in self.answers if answer.code is not None}
        return out | ({"flash_codes": codes} if codes else {})


@dataclass(frozen=True, slots=True)
class Check:
    """One hand check.

    Attributes:
        id: Stable name, to enter a reading for.
        part: Key of the part.
        title: For people.
        why: What it is good for, one sentence.
        needs: Tools.
        steps: In order, cautions where they are due.
        cautions: Beside the steps.
        source: Where it comes from.
        grades: The grades for which it is shown.
        modes: The wear modes that it can decide; empty for settings and neighbours.
        clears: Those of ``modes`` that a good reading clears; a bad one speaks for all of ``modes``.
        always: Shown whatever the mode.
        stands_for: Id of the check that this one repeats under better conditions; empty for none.
        reading: What is read off; None for a check that is only done.
    """

    id: str
    part: str
    title: str
    why: str
    needs: tuple[str, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    source: str
    grades: tuple[Grade, ...]
    modes: tuple[str, ...]
    clears: tuple[str, ...]
    always: bool
    stands_for: str
    reading: Reading | None

    def to_dict(self) -> dict[str, Any]:
        """The check as it stands in a report."""
        return {
            "id": self.id,
            "title": self.title,
            "why": self.why,
            "modes": list(self.modes),
            "needs": list(self.needs),
            "steps": list(self.steps),
            "reading": self.reading.to_dict() if self.reading else None,
            "cautions": list(self.cautions),
            "source": self.source,
        }


@dataclass(frozen=True, slots=True)
class Checks:
    """All hand checks in force, by id, in the order of the file."""

    rows: Mapping[str, Check]

    def of(self, part: str, grade: Grade | None = None, modes: Collection[str] | None = None) -> tuple[Check, ...]:
        """The checks of a part; None for any grade or any mode."""
        part_spec(part)
        return tuple(
            check
            for check in self.rows.values()
            if check.part == part
            and (grade is None or grade in check.grades)
            and (modes is None or check.always or set(check.modes) & set(modes))
        )


def checks_for(
    part: str, grade: Grade | None = None, modes: Collection[str] | None = None, checks: Checks | None = None
) -> tuple[Check, ...]:
    """The hand checks that confirm a verdict.

    Args:
        part: Key of the part.
        grade: The grade to confirm; None for all grades.
        modes: The modes in question (those that gave the grade, and those not seen); None for all.
        checks: A site's checks; None for those of the standard.

    Raises:
        UnknownPart: there is no such part.
    """
    return (checks or load_checks()).of(part, grade, modes)


@cache
def _standard() -> Mapping[str, Check]:
    name = "checks.toml"
    return _rows(name, files("wearvision.standard").joinpath(name).read_bytes())


def load_checks(override: str | Path | None = None) -> Checks:
    """The hand checks, with a site's rows in place of those of the same id.

    Args:
        override: A TOML file with ``[[check]]`` rows; each replaces the whole row of that id. It may be the
            file of limits, and may hold no checks at all.

    Raises:
        LimitsError: the file cannot be read, or a row is unknown or wrong; names file, row and reason.
    """
    rows = dict(_standard())
    if override is not None:
        path = Path(override)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise LimitsError(f"{path}: cannot be read ({error.strerror}). Give a TOML file.") from error
        for key, check in _rows(path.name, data).items():
            if key not in rows:
                raise LimitsError(f"{path.name}: check {key!r}: no such row; known are {', '.join(rows)}.")
            rows[key] = check
    return Checks(rows)


def _rows(name: str, data: bytes) -> dict[str, Check]:
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise LimitsError(f"{name}: not valid TOML in UTF-8 ({error}).") from error
    found: dict[str, Check] = {}
    rows = table.get("check", [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise LimitsError(f"{name}: check: must be tables, [[check]].")
    for row in rows:
        key = str(row.get("id", "without id"))
        try:
            check = _check(row)
        except (KeyError, TypeError, ValueError) as error:
            reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
            raise LimitsError(f"{name}: check {key!r}: {reason}.") from error
        if key in found:
            raise LimitsError(f"{name}: check {key!r}: stands there twice.")
        found[key] = check
    return found


def _check(row: Mapping[str, Any]) -> Check:
    _known(row, _CHECK | {"reading"}, "key")
    if row["part"] not in PARTS:
        raise ValueError(f"no part {row['part']!r}; known are {', '.join(PARTS)}")
    modes, grades = tuple(row["modes"]), tuple(row.get("grades", GRADES))
    clears = tuple(row.get("clears", modes))
    _known(modes, {mode.key for mode in PARTS[row["part"]].modes}, "mode")
    _known(clears, set(modes), "mode to clear")
    _known(grades, set(GRADES), "grade")
    if not str(row["source"]).strip():
        raise ValueError("source is empty; say where it comes from")
    texts: dict[str, Any] = {key: str(row[key]) for key in ("id", "part", "title", "why", "source")}
    lists: dict[str, Any] = {key: tuple(map(str, row.get(key, []))) for key in ("needs", "steps", "cautions")}
    return Check(
        **texts,
        **lists,
        grades=grades,
        modes=modes,
        clears=clears,
        always=bool(row.get("always", False)),
        stands_for=str(row.get("stands_for", "")),
        reading=_reading(row["reading"]) if "reading" in row else None,
    )


def _reading(row: Mapping[str, Any]) -> Reading:
    _known(row, _READING, "key of the reading")
    answers = tuple(_answer(answer) for answer in row["answers"])
    bands = sorted((answer.low, answer.high) for answer in answers if answer.high > answer.low and answer.code is None)
    for (_, end), (start, _) in itertools.pairwise(bands):
        if end != start:
            raise ValueError(f"bands of the answers cross or leave a hole between {end:g} and {start:g}")
    if not row["unit"] and bands:
        raise ValueError("a band needs a unit")
    return Reading(
        quantity=row["quantity"],
        unit=row["unit"],
        expect=dict(row["expect"]),
        answers=answers,
        warn=dict(row.get("warn", {})),
        usual=dict(row.get("usual", {})),
        required=bool(row.get("required", False)),
        layers=tuple(row.get("layers", ())),
    )


def _answer(row: Mapping[str, Any]) -> Answer:
    _known(row, {"says", "text", "from", "below", "word", "code"}, "key of the answer")
    _known([row["says"]], set(get_args(Says)), "saying")
    banded = "from" in row or "below" in row
    low, high = (float(row.get("from", 0)), float(row.get("below", math.inf))) if banded else (-math.inf, -math.inf)
    if math.isnan(low) or math.isnan(high) or (banded and low >= high):
        raise ValueError(f"band from {low:g} to below {high:g} is empty")
    if not banded and "word" not in row:
        raise ValueError("an answer needs a band or a word")
    return Answer(row["says"], row["text"], low, high, row.get("word", ""), row.get("code"))


def _known(given: Collection[str], known: Collection[str], what: str) -> None:
    unknown = [item for item in given if item not in known]
    if unknown:
        raise ValueError(f"unknown {what} {unknown[0]!r}; known are {', '.join(sorted(known))}")
