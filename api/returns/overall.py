"""All findings together: the part's grade, the likely class of cause or open, and how much doubt there is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import worst_of
from wearvision.standard.origins import Cause, Sign
from wearvision_api.returns.findings import OPEN, SURE, Finding, Sure, capped, likely


@dataclass(frozen=True, slots=True)
class Overall:
    """What the findings come to; nothing of it is a decision.

    Attributes:
        grade: Worst of all findings; None where nothing is known.
        possible_grades: Every grade still possible after readings have won over the photo; all where nothing is known.
        cause: Likely class of cause, or ``open``.
        sure: How sure.
        fault: True: something is worn or reads bad. False: every mode is surely not worn, and readings are good and
            none is in doubt. None: it can't be told.
        another_part: Whether the photos show another part than is claimed.
        not_seen: Wear modes of which nothing is known.
        doubt: 0 sure to 1 nothing known; see ``weigh_findings``.
    """

    grade: Grade | None
    possible_grades: tuple[Grade, ...]
    cause: Cause | Literal["open"]
    sure: Sure
    fault: bool | None
    another_part: bool
    not_seen: tuple[str, ...]
    doubt: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "grade": self.grade,
            "possible_grades": list(self.possible_grades),
            "cause": self.cause,
            "sure": self.sure,
            "fault": self.fault,
            "another_part": self.another_part,
            "not_seen": list(self.not_seen),
            "doubt": round(self.doubt, 4),
        }


def weigh_findings(found: Sequence[Finding]) -> Overall:
    """Puts findings together.

    The class of cause comes from the signs of what carries the grade (the modes that are worn as badly as the part is,
    and all readings). It stays open where more than one grade is possible, where nothing was found, where something
    not seen could be worse, and where the photos show another part.

    ``doubt`` is the mean of three shares, 1 outright where the photos show another part: modes in doubt or not seen
    among those that the part has; grades possible beyond the first, over two; and the class of cause, 0 clear, 0.5
    likely, 1 open. It orders the working list and decides nothing.
    """
    another = any(one.kind == "part" for one in found)
    modes = [one for one in found if one.kind == "wear" and one.state != "does not apply"]
    readings = [one for one in found if one.kind == "reading"]
    grade = worst(known) if (known := [one.grade for one in found if one.grade is not None]) else None
    possible = worst_of(one.possible_grades for one in found if one.possible_grades) or GRADES
    unseen = tuple(one.about for one in modes if one.state == "not seen")
    carrying = [one for one in modes if one.state == "worn" and one.grade == grade]
    cause, sure = capped(*likely(_signs(carrying, readings)), _most(grade, possible, unseen, another))
    in_doubt = [one for one in modes if one.state in ("may be worn", "not seen")]
    shares = (
        len(in_doubt) / len(modes) if modes else 1.0,
        (len(possible) - 1) / (len(GRADES) - 1),
        1 - SURE.index(sure) / (len(SURE) - 1),
    )
    doubt = 1.0 if another else sum(shares) / len(shares)
    return Overall(grade, possible, cause, sure, _fault(modes, readings), another, unseen, doubt)


def _signs(carrying: Sequence[Finding], readings: Sequence[Finding]) -> tuple[Sign, ...]:
    """Each sign once: those of what carries the grade, and those of readings that belong to no mode."""
    own = [sign for one in carrying for sign in one.signs]
    return tuple(dict.fromkeys([*own, *(sign for one in readings for sign in one.signs if not sign.modes)]))


def _most(grade: Grade | None, possible: Sequence[Grade], unseen: Sequence[str], another: bool) -> Sure:
    if another or grade is None or len(possible) > 1:
        return OPEN
    if unseen:
        return "likely" if grade == GRADES[-1] else OPEN
    return "clear"


def _fault(modes: Sequence[Finding], readings: Sequence[Finding]) -> bool | None:
    if any(one.state == "worn" for one in modes) or any(one.state == "bad" for one in readings):
        return True
    said = {one.state for one in readings}
    sound = modes and all(one.state == "not worn" for one in modes)
    return False if sound and "good" in said and "doubtful" not in said else None
