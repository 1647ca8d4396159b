"""All findings together: the part's grade, the likely class of cause or open, and how much doubt there is."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import worst_of
from wearvision.standard.origins import Sign, State
from wearvision_api.returns.findings import Finding
from wearvision_api.returns.reasoning import OPEN, SURE, Class, Sure, agreed, capped, likely


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
    cause: Class
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
    and all readings), and only where it comes out whichever way the modes in doubt turn out. It stays open where more
    than one grade is possible, where nothing was found, where something not seen could be worse, and where the photos
    show another part. So more doubt never makes it surer.

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
    most = _most(grade, possible, unseen, another)
    cause, sure = (OPEN, OPEN) if most == OPEN else capped(*agreed(_ways(found)), most)
    in_doubt = [one for one in modes if one.state in ("may be worn", "not seen")]
    shares = (
        len(in_doubt) / len(modes) if modes else 1.0,
        (len(possible) - 1) / (len(GRADES) - 1),
        1 - SURE.index(sure) / (len(SURE) - 1),
    )
    doubt = 1.0 if another else sum(shares) / len(shares)
    return Overall(grade, possible, cause, sure, _fault(modes, readings), another, unseen, doubt)


def _ways(found: Sequence[Finding]) -> Iterator[tuple[Class, Sure]]:
    """What the signs come to in every way in which the modes can be graded; each sign counts once."""
    modes = [one for one in found if one.kind == "wear"]
    read = [one.grade for one in found if one.kind == "reading" and one.grade is not None]
    signs = tuple(dict.fromkeys(sign for one in found for sign in one.might))
    for way in itertools.product(*(_grades(one) for one in modes)):
        picked = {one.about: grade for one, grade in zip(modes, way, strict=True)}
        worst_grade = worst([*read, *(grade for grade in way if grade is not None)])
        states = {key: _state(grade) for key, grade in picked.items()}
        carrying = {key for key, grade in picked.items() if grade == worst_grade and states[key] == "worn"}
        yield likely(_holding(signs, states, carrying))


def _holding(signs: Sequence[Sign], states: Mapping[str, State], carrying: set[str]) -> Iterator[Sign]:
    return (sign for sign in signs if (not sign.modes or carrying & set(sign.modes)) and sign.fits(states))


def _grades(mode: Finding) -> tuple[Grade | None, ...]:
    """The grades that a mode may have; None for one that this part does not have."""
    if mode.state == "does not apply":
        return (None,)
    return mode.possible_grades or GRADES


def _state(grade: Grade | None) -> State:
    return "does not apply" if grade is None else "not worn" if grade == GRADES[0] else "worn"


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
