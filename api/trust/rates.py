"""How often hand checks bore the photo out: by part and grade, by check, and how often the possible grades held.

Only checks that were asked for count: whoever checks unasked has a reason to. A check says nothing of modes that it
cannot decide, so a grade that it leaves open has not come back; such grades are counted beside the others, never left
out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from wearvision.parts import PARTS
from wearvision.standard.checks import Check, Checks
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision_api.trust.population import Counted
from wearvision_api.trust.shares import Class, Share, share

Outcome = Literal["held", "worse", "better"]


@dataclass(frozen=True, slots=True)
class GradeLine:
    """Photos of one part that got one grade.

    Attributes:
        part: Key.
        grade: The photo's.
        grades: How many.
        share: Of those confirmed, weighted.
        confirmed: Checks asked for that bore the photo out.
        overridden: That found it worse.
        contradicted: That found it better.
        by_eye: How many a person graded by eye.
        by_eye_other: Of these, how many got another grade.
        unasked: Settled by checks that nobody had asked for; not in the share.
    """

    part: str
    grade: Grade
    grades: int
    share: Share
    confirmed: int
    overridden: int
    contradicted: int
    by_eye: int
    by_eye_other: int
    unasked: int


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One hand check beside what the photo said of the modes that it decides: as good or bad, worse, better."""

    part: str
    check: str
    title: str
    modes: tuple[str, ...]
    share: Share
    worse: int
    better: int


def classes(
    rows: Iterable[Counted], held: Callable[[Counted], bool], answered: Callable[[Counted], bool] | None = None
) -> list[Class]:
    """Grades put together whose checks are equally likely to be asked for and about as likely to come back.

    Args:
        rows: Of the population.
        held: Whether an answered one counts as borne out.
        answered: Whether its check came back; None: whether it was settled.
    """
    came = answered or (lambda one: one.settled)
    groups: dict[tuple[object, ...], list[Counted]] = defaultdict(list)
    for one in rows:
        if one.asked:
            groups[one.part, one.grade, one.why, one.chance].append(one)
    found = []
    for group in groups.values():
        back = [one for one in group if came(one)]
        found.append(Class(group[0].chance, len(group), len(back), sum(map(held, back))))
    return found


def confirmed(rows: Iterable[Counted]) -> Share:
    """Share of grades that hand checks bear out."""
    return share(classes(rows, lambda one: one.standing == "confirmed"))


def kept_promise(rows: Iterable[Counted]) -> Share:
    """Share of grades whose possible grades held the one found by hand: beside the rate that the model states."""
    return share(classes(rows, lambda one: one.found in one.possible))


def stated(rows: Iterable[Counted]) -> float | None:
    """Rate at which possible grades are stated to hold, the lowest of several models; None: none is stated."""
    return min((one.rate for one in rows if one.rate is not None), default=None)


def by_grade(rows: Sequence[Counted]) -> list[GradeLine]:
    """One line a part and grade, in the order of the registry; those without a grade are left out."""
    return [
        _line(part, grade, mine)
        for part in PARTS
        for grade in GRADES
        if (mine := [one for one in rows if (one.part, one.grade) == (part, grade)])
    ]


def _line(part: str, grade: Grade, rows: Sequence[Counted]) -> GradeLine:
    counts = {name: sum(one.asked and one.standing == name for one in rows) for name in _STANDINGS}
    eyes = [one for one in rows if one.by_eye is not None]
    return GradeLine(
        part=part,
        grade=grade,
        grades=len(rows),
        share=confirmed(rows),
        **counts,
        by_eye=len(eyes),
        by_eye_other=sum(one.by_eye != grade for one in eyes),
        unasked=sum(one.settled and not one.asked for one in rows),
    )


_STANDINGS = "confirmed", "overridden", "contradicted"


def by_check(rows: Sequence[Counted], checks: Checks) -> list[CheckLine]:
    """One line a check that is asked for, in the order of the table; those that decided nothing are left out."""
    lines = []
    for check in checks.rows.values():
        mine = [one for one in rows if one.part == check.part and check.id in one.wanted]
        says = {one.id: outcome(one, check, checks) for one in mine if one.asked}
        if any(says.values()):
            lines.append(_check_line(check, mine, says))
    return lines


def _check_line(check: Check, rows: Sequence[Counted], says: dict[str, Outcome | None]) -> CheckLine:
    found = share(classes(rows, lambda one: says[one.id] == "held", lambda one: says[one.id] is not None))
    counts = [sum(one == kind for one in says.values()) for kind in ("worse", "better")]
    return CheckLine(check.part, check.id, check.title, check.modes, found, *counts)


def outcome(one: Counted, check: Check, checks: Checks) -> Outcome | None:
    """What a check's newest reading says beside the photo's word on the modes that it decides.

    A check that repeats it under better conditions counts in its place. A good reading also bears out dirt that is
    wiped off; it is better than the photo only where the photo condemned a mode that it clears.

    Args:
        one: A grade.
        check: Of its part.
        checks: Those in force.

    Returns:
        None where it was not read, gives no verdict, or the photo said nothing of these modes.
    """
    for row in (*(again for again in checks.of(check.part) if again.stands_for == check.id), check):
        says = one.readings.get(row.id)
        modes = row.clears if says == "good" else row.modes
        photo = [grade for mode, grade in one.modes.items() if mode in modes]
        if says in ("good", "clean", "replace") and photo:
            seen = worst(photo)  # type: ignore[arg-type]  # stored grades
            if says == "good":
                return "better" if seen == "replace" else "held"
            found = "replace" if says == "replace" else "clean-and-reuse"
            if seen == found:
                return "held"
            return "worse" if GRADES.index(found) > GRADES.index(seen) else "better"
    return None
