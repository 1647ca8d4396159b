"""Findings, not verdicts: what a returned part shows, the likely class of cause, the signs, and how sure.

Pure: report, readings and facts in, findings out; the same input gives the same findings.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from wearvision.parts import PARTS, part_spec
from wearvision.standard.causes import causes_for
from wearvision.standard.counter import CounterFinding
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, load_limits
from wearvision.standard.origins import CAUSES, Cause, Origins, Sign, load_origins
from wearvision_api.returns.modes import ModeSeen, modes_seen

Kind = Literal["wear", "reading", "part"]
"""What a finding is about: a wear mode, a reading at the counter, or which part it is."""
Sure = Literal["clear", "likely", "open"]
SURE: tuple[Sure, ...] = ("open", "likely", "clear")
"""From the least sure."""
OPEN: Literal["open"] = "open"
CLEAR_FROM, CLEAR_AHEAD = 3, 2
LIKELY_FROM, LIKELY_AHEAD = 2, 1
"""Points of the signs (weak 1, strong 2, against negative), and how far ahead of every other class; our own
convention, so that one strong sign is likely and clear takes a second one. No published source."""

_MEANS: Mapping[str, tuple[Grade, ...]] = {
    "good": GRADES[:1],
    "doubtful": (GRADES[0], GRADES[-1]),
    "bad": GRADES[-1:],
    "cannot tell": (),
}


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a claim beside photos and readings.

    Attributes:
        part: Key of the part that is claimed.
        claimed: Class of cause that the claimant holds for right; empty for none.
        hours_run: Running hours of the part; None: unknown.
        days_run: Days from fitting to failure; None: unknown.
        photo_part: Key of the part that the photos show; None: none recognised, or no photos.
    """

    part: str
    claimed: str = ""
    hours_run: float | None = None
    days_run: int | None = None
    photo_part: str | None = None

    @property
    def another_part(self) -> bool:
        """Whether the photos show another part than is claimed."""
        return self.photo_part is not None and self.photo_part != self.part


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    Attributes:
        about: Key of the wear mode, id of the check, or ``"part"``.
        kind: Which of these.
        title: For people.
        state: Of a mode: ``worn``, ``may be worn``, ``not worn``, ``not seen``, ``does not apply``; of a reading:
            what it says; of a part: ``another part``.
        text: Plain words; empty where measure and limits say it all.
        grade: What it says of the part; None where it says nothing.
        possible_grades: Every grade that it leaves possible; empty where it says nothing.
        measure: The report's line with the limits beside it; None for none.
        cause: Likely class of cause, or ``open``.
        sure: How sure that is.
        signs: All that speak for or against a class, as far as this finding goes.
        decided_by: Checks that won over the photo.
        look_at: What ruins a part like this, as the standard has it.
    """

    about: str
    kind: Kind
    title: str
    state: str
    text: str = ""
    grade: Grade | None = None
    possible_grades: tuple[Grade, ...] = ()
    measure: Mapping[str, Any] | None = None
    cause: Cause | Literal["open"] = OPEN
    sure: Sure = OPEN
    signs: tuple[Sign, ...] = ()
    decided_by: tuple[str, ...] = ()
    look_at: tuple[Mapping[str, Any], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; signs for and against stand apart."""
        return {
            "about": self.about,
            "kind": self.kind,
            "title": self.title,
            "state": self.state,
            "text": self.text,
            "grade": self.grade,
            "possible_grades": list(self.possible_grades),
            "measure": None if self.measure is None else dict(self.measure),
            "cause": self.cause,
            "sure": self.sure,
            "signs_for": [sign.to_dict() for sign in self.signs if sign.favours],
            "signs_against": [sign.to_dict() for sign in self.signs if not sign.favours],
            "decided_by": list(self.decided_by),
            "look_at": [dict(one) for one in self.look_at],
        }


def findings(
    report: Mapping[str, Any] | None,
    readings: Sequence[CounterFinding],
    facts: Facts,
    origins: Origins | None = None,
    *,
    limits: Limits | None = None,
    wiping: Mapping[str, Any] | None = None,
) -> list[Finding]:
    """What a returned part shows: which part it is (where that differs), every wear mode, every reading.

    Args:
        report: The report of its photos as JSON; None: not graded.
        readings: At the counter; of several of one check the last counts.
        facts: Of the claim.
        origins: Classes and signs; None for the standard's.
        limits: In force when the photos were graded; None for the standard's.
        wiping: What the pair before and after wiping told; None for no pair.

    Raises:
        UnknownPart: the claim names no part that there is.
    """
    spec = part_spec(facts.part)
    table, rows = origins or load_origins(), limits or load_limits()
    newest = list({one.check: one for one in readings}.values())
    seen = modes_seen(spec, report, newest, rows, wiping)
    states = {key: one.state for key, one in seen.items()}
    outcomes = {one.check: (one.outcome, one.says) for one in newest}
    signs = table.of(spec.key, states, outcomes, table.ages.of(facts.hours_run, facts.days_run))
    found = [_another(facts)] if facts.another_part else []
    found += [_of_mode(spec.key, one, signs) for one in seen.values()]
    return found + [_of_reading(one, signs) for one in newest]


def likely(signs: Iterable[Sign]) -> tuple[Cause | Literal["open"], Sure]:
    """The class that the signs come to and how sure; ``open`` where none is ahead."""
    points = dict.fromkeys(CAUSES, 0)
    for sign in signs:
        points[sign.cause] += sign.points
    first, second = sorted(CAUSES, key=lambda cause: -points[cause])[:2]
    ahead = points[first] - max(0, points[second])
    if points[first] >= CLEAR_FROM and ahead >= CLEAR_AHEAD:
        return first, "clear"
    if points[first] >= LIKELY_FROM and ahead >= LIKELY_AHEAD:
        return first, "likely"
    return OPEN, OPEN


def capped(cause: Cause | Literal["open"], sure: Sure, most: Sure) -> tuple[Cause | Literal["open"], Sure]:
    """The class, no surer than ``most``; one that may only be open is no class."""
    least = min(sure, most, key=SURE.index)
    return (OPEN, OPEN) if least == OPEN else (cause, least)


def _another(facts: Facts) -> Finding:
    shown = PARTS[facts.photo_part].title if facts.photo_part in PARTS else str(facts.photo_part)
    text = f"The photos show a {shown}; the claim is for a {part_spec(facts.part).title}."
    return Finding("part", "part", "Another part than claimed", "another part", text)


def _of_mode(part: str, seen: ModeSeen, signs: Collection[Sign]) -> Finding:
    key = seen.mode.key
    own = tuple(sign for sign in signs if key in sign.modes) if seen.state in ("worn", "may be worn") else ()
    # Doubt whether it is worn at all leaves the cause open; doubt how far allows a likely one.
    most: Sure = "open" if seen.state != "worn" else "clear" if len(seen.possible) == 1 else "likely"
    cause, sure = capped(*likely(own), most)
    return Finding(
        key,
        "wear",
        seen.mode.title,
        seen.state,
        seen.text or _why_not(seen),
        seen.grade,
        seen.possible,
        seen.measure,
        cause,
        sure,
        own,
        seen.by,
        tuple(one.to_dict() for one in causes_for(part, [key])) if own or seen.state == "may be worn" else (),
    )


def _why_not(seen: ModeSeen) -> str:
    if seen.state == "may be worn":
        return "The photos leave open whether it is worn."
    if seen.state == "does not apply":
        return str((seen.line or {}).get("note", ""))
    if seen.state == "not seen":
        reason = (seen.line or {}).get("reason")
        return f"Not seen: {str(reason).replace('_', ' ')}." if reason else "Not seen."
    return ""


def _of_reading(reading: CounterFinding, signs: Collection[Sign]) -> Finding:
    own = tuple(sign for sign in signs if sign.reading == reading.check)
    cause, sure = likely(own)
    possible = _MEANS[reading.says]
    if reading.grade is not None:
        possible = (reading.grade,)
    return Finding(
        reading.check,
        "reading",
        reading.title,
        reading.says,
        reading.text,
        "replace" if reading.says == "bad" else reading.grade,
        possible,
        cause=cause,
        sure=sure,
        signs=own,
    )
