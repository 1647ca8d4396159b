"""A label as it stands once its marks and the evidence have had their say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from wearvision.labels.bounds import SOURCES, AtLeast, Bound, at_least, bounds, range_of, range_up_to, sole_mode
from wearvision.labels.evidence import Evidence
from wearvision.labels.label import NONE, NOT_SEEN, asked, grade_of_answer
from wearvision.labels.truth import Given
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.standard.limits import Limits, Row


@dataclass(frozen=True, slots=True)
class Claim:
    """A label as it stands once marks and evidence have had their say.

    Attributes:
        part: As in ``Truth``, like all that follows but for ``answers``.
        view: …
        fit: …
        faults: …
        grade: …
        answers: Mode to its grade, or to *not seen*; modes without an answer are left out.
        bounds: …
        at_least: …
    """

    part: str
    view: str | None
    fit: bool
    faults: tuple[str, ...]
    grade: Grade | None
    answers: Mapping[str, str]
    bounds: Mapping[str, Bound]
    at_least: AtLeast | None

    @property
    def judged(self) -> bool:
        """Whether there is something to grade."""
        return self.fit and self.part != NONE


def claim(given: Given, evidence: Sequence[Evidence], limits: Limits) -> Claim:
    """A label with its measures, corrected where a mark or the evidence contradicts what was said.

    Args:
        given: The label.
        evidence: That in force; only what it says of modes of this view counts.
        limits: Those in force.
    """
    label = given.label
    modes = {mode.key: limits.row(label.part, mode.measure) for mode, _ in asked(label.part, label.view, limits).modes}
    found = bounds(label, given.measured, limits)
    answers = {mode: str(grade_of_answer(answer) or NOT_SEEN) for mode, answer in label.modes.items()}
    if label.grade is not None and (sole := sole_mode(label, limits)):
        answers[sole] = label.grade
    overruled = _measured_answers(label.grade, modes, found, answers)
    lead = at_least(label, found, limits)
    heard = _in_view(evidence, modes)
    for one in heard:
        overruled |= _hear(one, modes, found, answers, label.grade)
        lead = _rest(lead, {mode for mode in one.modes if lead and over(lead.grade, one.most)})
    grade = label.grade
    if grade is not None and overruled and not lead:
        known = [said for answer in answers.values() if (said := grade_of_answer(answer)) is not None]
        grade = worst([*known, *(one.least for one in heard)])
    grade, lead = _led_by_evidence(grade, lead, heard, modes, found)
    return Claim(label.part, label.view, label.fit, label.faults, grade, answers, found, lead)


def _measured_answers(
    grade: Grade | None, modes: Mapping[str, Row], found: Mapping[str, Bound], answers: dict[str, str]
) -> set[str]:
    """Gives measured modes the answer that fits; the modes where it is another than was said, or worse than the part's.

    Source: the marks are what a person saw; the word for it is the limits'.
    """
    return {mode for mode, row in modes.items() if _fit(row, found.get(row.measure), answers, grade)}


def _fit(row: Row, bound: Bound | None, answers: dict[str, str], grade: Grade | None) -> bool:
    """Gives a mode with a value the answer that fits; whether what was said of it, or of the part, was wrong."""
    said = grade_of_answer(answers.get(row.mode, NOT_SEEN))
    if bound is None or bound.value is None or (said and range_of(row, said).meets(bound)):
        return False
    exact = row.grade_of(bound.value)
    missed = said is not None or (grade is not None and not range_up_to(row, grade).meets(bound))
    answers[row.mode] = exact
    if not missed and grade and over(exact, grade):
        # In the guard band: the part's grade is as right as the next one.
        answers[row.mode] = [one for one in row.grades if not over(one, grade)][-1]
    return missed


def _hear(
    one: Evidence, modes: Mapping[str, Row], found: dict[str, Bound], answers: dict[str, str], grade: Grade | None
) -> set[str]:
    """Lets evidence have its say over bounds and answers; the modes about which the label was wrong."""
    wrong, sole = _wrong(one, modes, answers, grade), _sole(one, modes)
    for mode in one.modes:
        row, said = modes[mode], grade_of_answer(answers.get(mode, NOT_SEEN))
        bound = _told(row, one, sole, found.get(row.measure), mode in wrong)
        found[row.measure] = bound
        if mode == sole:
            answers[mode] = one.least
        elif said and over(said, one.most):
            answers[mode] = GRADES[0]  # what a good reading clears is left at the best, as in ``wearvision.confirm``
        elif mode in wrong or said is None:
            answers.pop(mode, None)
        if _fit(row, bound, answers, grade):
            wrong.add(mode)
    return wrong


def _in_view(evidence: Sequence[Evidence], modes: Mapping[str, Row]) -> list[Evidence]:
    """What evidence says of the modes that the view shows; what is bad may lie in a mode that it doesn't show."""
    seen = [(one, tuple(mode for mode in one.modes if mode in modes)) for one in evidence]
    return [one if shown == one.modes else replace(one, modes=shown, least=GRADES[0]) for one, shown in seen if shown]


def _could(one: Evidence, modes: Mapping[str, Row]) -> list[str]:
    """The modes of evidence that can be as bad as it says."""
    return [mode for mode in one.modes if one.least != GRADES[0] and one.least in modes[mode].grades]


def _sole(one: Evidence, modes: Mapping[str, Row]) -> str:
    """The mode that evidence condemns where only one of its modes can be so bad; else empty."""
    could = _could(one, modes)
    return could[0] if len(could) == 1 else ""


def _wrong(one: Evidence, modes: Mapping[str, Row], answers: Mapping[str, str], grade: Grade | None) -> set[str]:
    """The modes about which the label must be wrong: said worse than the evidence allows, or not one bad enough."""
    said = {mode: grade_of_answer(answers.get(mode, grade or NOT_SEEN)) for mode in one.modes}
    worse = {mode for mode, found in said.items() if mode in answers and found and over(found, one.most)}
    could = _could(one, modes)
    missed = could and not any(found and not over(one.least, found) for mode, found in said.items() if mode in could)
    return worse | (set(could) if missed else set())


def over(one: Grade, other: Grade) -> bool:
    """Whether one grade is worse than another."""
    return GRADES.index(one) > GRADES.index(other)


def _told(row: Row, one: Evidence, sole: str, said: Bound | None, wrong: bool) -> Bound:
    """The bound of a measure by evidence, narrowed by what was said and measured where that can be true as well."""
    if row.measure in one.bounds:
        low, high = one.bounds[row.measure]
        told = Bound(low, high, (low + high) / 2, one.kind)
    else:
        told = replace(range_up_to(row, one.most), source=one.kind)
        told = replace(told, low=range_of(row, one.least).low) if row.mode == sole else told
    if said is None or (wrong and said.value is None) or not said.meets(told):
        return told
    narrowed = said.within(told)
    best = narrowed.value if narrowed.value is not None else told.value
    return Bound(
        narrowed.low,
        narrowed.high,
        None if best is None else min(max(best, narrowed.low), narrowed.high),
        max(said.source, one.kind, key=SOURCES.index),
    )


def _rest(lead: AtLeast | None, decided: set[str]) -> AtLeast | None:
    """The modes that may still be what the grade comes from, once some are decided otherwise."""
    if lead is None:
        return None
    left = tuple(mode for mode in lead.modes if mode not in decided)
    return AtLeast(lead.grade, left) if left else None


def _led_by_evidence(
    grade: Grade | None,
    lead: AtLeast | None,
    heard: Sequence[Evidence],
    modes: Mapping[str, Row],
    found: Mapping[str, Bound],
) -> tuple[Grade | None, AtLeast | None]:
    """The grade and its open modes when the worst evidence is at least as bad as the label."""
    for one in sorted(heard, key=lambda other: GRADES.index(other.least), reverse=True):
        if one.least == GRADES[0] or GRADES.index(one.least) < GRADES.index(grade or GRADES[0]):
            break
        could = [mode for mode in one.modes if one.least in modes[mode].grades]
        least = {mode: range_of(modes[mode], one.least).low for mode in could}
        shown = any(found[modes[mode].measure].low >= least[mode] for mode in could)
        still = tuple(mode for mode in could if found[modes[mode].measure].high > least[mode])
        return one.least, AtLeast(one.least, still) if still and not shown else None
    return grade, lead


__all__ = ["Claim", "claim", "over"]
