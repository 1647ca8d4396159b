"""Findings, not verdicts: what a returned part shows, the likely class of cause, the signs, and how sure.

Pure: report, readings and facts in, findings out; the same input gives the same findings.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from wearvision.parts import PARTS, part_spec
from wearvision.standard.causes import causes_for
from wearvision.standard.counter import CounterFinding
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, load_limits
from wearvision.standard.origins import Origins, Sign, State, load_origins
from wearvision_api.returns.modes import ModeSeen, modes_seen
from wearvision_api.returns.reasoning import OPEN, Class, Sure, capped, likely, whichever

Kind = Literal["wear", "reading", "part"]
"""What a finding is about: a wear mode, a reading at the counter, or which part it is."""
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
        might: ``signs``, and those that would hold if what is in doubt of other modes came out so.
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
    cause: Class = OPEN
    sure: Sure = OPEN
    signs: tuple[Sign, ...] = ()
    might: tuple[Sign, ...] = ()
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
    allowed = table.of(spec.key, outcomes, table.ages.of(facts.hours_run, facts.days_run))
    found = [_another(facts)] if facts.another_part else []
    found += [_of_mode(spec.key, one, allowed, states) for one in seen.values()]
    return found + [_of_reading(one, allowed, states) for one in newest]


def _another(facts: Facts) -> Finding:
    shown = PARTS[facts.photo_part].title if facts.photo_part in PARTS else str(facts.photo_part)
    text = f"The photos show a {shown}; the claim is for a {part_spec(facts.part).title}."
    return Finding("part", "part", "Another part than claimed", "another part", text)


def _of_mode(part: str, seen: ModeSeen, allowed: Collection[Sign], states: Mapping[str, State]) -> Finding:
    key = seen.mode.key
    might = tuple(sign for sign in allowed if key in sign.modes)
    signs = tuple(sign for sign in might if sign.fits(states)) if seen.state in ("worn", "may be worn") else ()
    # Doubt whether it is worn at all leaves the cause open; doubt how far allows a likely one.
    most: Sure = "open" if seen.state != "worn" else "clear" if len(seen.possible) == 1 else "likely"
    cause, sure = capped(*whichever(might, states), most)
    suspect = seen.state in ("worn", "may be worn")
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
        signs,
        might,
        seen.by,
        tuple(one.to_dict() for one in causes_for(part, [key])) if suspect else (),
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


def _of_reading(reading: CounterFinding, allowed: Collection[Sign], states: Mapping[str, State]) -> Finding:
    might = tuple(sign for sign in allowed if sign.reading == reading.check)
    worn = {mode for mode, state in states.items() if state == "worn"}
    signs = tuple(one for one in might if one.fits(states) and (not one.modes or worn & set(one.modes)))
    cause, sure = likely(signs)
    grade = GRADES[-1] if reading.says == "bad" else reading.grade
    return Finding(
        reading.check,
        "reading",
        reading.title,
        reading.says,
        reading.text,
        grade,
        _MEANS[reading.says] if grade is None else (grade,),
        cause=cause,
        sure=sure,
        signs=signs,
        might=might,
    )
