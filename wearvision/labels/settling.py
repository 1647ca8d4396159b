"""How labels, readings and pairs come to one truth, or to a dispute that a third person is asked to settle."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from statistics import fmean

from wearvision.labels.bounds import SOURCES, AtLeast, Bound, Source, range_of
from wearvision.labels.claim import Claim, claim, over
from wearvision.labels.evidence import Evidence, in_force
from wearvision.labels.label import NOT_SEEN, asked, grade_of_answer
from wearvision.labels.truth import Difference, Dispute, Given, Rank, Truth
from wearvision.parts import Mode
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, worst_of

DECIDES = 3
"""From this turn on whoever labels has seen what others said, and decides."""


def differences(one: Given, other: Given, limits: Limits) -> tuple[Difference, ...]:
    """Where two labels differ; empty if they agree.

    A mode that one of them can't see is no difference, nor is a measure whose intervals touch.
    """
    return _differences(claim(one, (), limits), claim(other, (), limits), limits)


def _differences(one: Claim, other: Claim, limits: Limits) -> tuple[Difference, ...]:
    for name in ("part", "fit", "view"):
        if getattr(one, name) != getattr(other, name):
            return (Difference(name, getattr(one, name), getattr(other, name)),)
    found = [] if one.grade == other.grade else [Difference("grade", one.grade, other.grade)]
    for mode in _modes(one, limits):
        first, second = one.answers.get(mode.key, NOT_SEEN), other.answers.get(mode.key, NOT_SEEN)
        bounded = one.bounds.get(mode.measure), other.bounds.get(mode.measure)
        if NOT_SEEN not in (first, second) and first != second:
            found.append(Difference(f"modes.{mode.key}", first, second))
        elif bounded[0] is not None and bounded[1] is not None and _apart(bounded[0], bounded[1], one, other):
            found.append(Difference(f"measures.{mode.measure}", bounded[0].to_dict(), bounded[1].to_dict()))
    return tuple(found)


def _apart(first: Bound, second: Bound, one: Claim, other: Claim) -> bool:
    """Whether two bounds can't both be true; where only words stand behind both, a differing grade says it already."""
    told = first.value is not None or second.value is not None or one.grade == other.grade
    return told and not first.meets(second)


def settle(given: Sequence[Given], evidence: Sequence[Evidence], limits: Limits) -> Truth | Dispute:
    """The truth that labels and evidence come to, whatever their order.

    Labels from turn 3 on decide over blind ones, those of turn 4 over those of turn 3. Of several labels of one
    person and turn the last counts. A reading outranks a pair and both outrank labels, for the modes that they
    decide and that the photo's view shows.

    Args:
        given: All labels that stand; withdrawn ones are not passed in.
        evidence: Readings and pairs of the part in the photo.
        limits: Those in force.

    Returns:
        The truth, or the fields about which the labels differ.

    Raises:
        ValueError: there is no label.
    """
    if not given:
        raise ValueError("no label, no truth")
    last = max(one.turn for one in given)
    counted = {(one.author, one.turn): one for one in given if one.turn == last or last < DECIDES}
    newest = {author: counted[author, turn] for author, turn in sorted(counted)}
    ruling = in_force(evidence)
    claims = [claim(newest[author], ruling, limits) for author in sorted(newest)]
    apart = [found for one, other in combinations(claims, 2) for found in _differences(one, other, limits)]
    if not apart:
        apart = _lead_apart(claims)
    if apart:
        return Dispute(tuple({(found.field, repr(found)): found for found in apart}.values()))
    people: Rank = "third" if last >= DECIDES else "agreed" if len(claims) > 1 else "one"
    joined = _joined(claims, limits)
    return Truth(
        joined.part,
        joined.view,
        joined.fit,
        joined.faults,
        joined.grade,
        _acceptable(joined, ruling, limits),
        joined.bounds,
        joined.at_least,
        _rank(joined, ruling, people, limits),
    )


def _lead_apart(claims: Sequence[Claim]) -> list[Difference]:
    """Two who give the same grade for modes that have nothing in common, neither having named one."""
    for one, other in combinations([found for found in claims if found.at_least], 2):
        if one.at_least and other.at_least and not set(one.at_least.modes) & set(other.at_least.modes):
            return [Difference("modes", list(one.at_least.modes), list(other.at_least.modes))]
    return []


def _joined(claims: Sequence[Claim], limits: Limits) -> Claim:
    """Claims that agree as one."""
    first = claims[0]
    if len(claims) == 1:
        return first
    faults = tuple(sorted({fault for one in claims for fault in one.faults}))
    answers: dict[str, str] = {}
    found: dict[str, Bound] = {}
    for mode in _modes(first, limits):
        said = [one.answers[mode.key] for one in claims if mode.key in one.answers]
        seen = [one.bounds[mode.measure] for one in claims if mode.measure in one.bounds]
        blind = NOT_SEEN in said
        if said:
            answers[mode.key] = NOT_SEEN if blind else said[0]
        # What one of them couldn't see is not claimed, unless the other measured it.
        seen = [bound for bound in seen if bound.value is not None] if blind else seen
        if seen and (blind or len(seen) == len(claims)):
            found[mode.measure] = _mean_bound(seen)
    return Claim(first.part, first.view, first.fit, faults, first.grade, answers, found, _joined_lead(claims))


def _mean_bound(seen: Sequence[Bound]) -> Bound:
    """Bounds that meet as one: the mean of what was measured, cut to what was said."""
    measured = [bound for bound in seen if bound.value is not None]
    source: Source = max((bound.source for bound in seen), key=SOURCES.index)
    low, high = max(bound.low for bound in seen), min(bound.high for bound in seen)
    if not measured:
        return Bound(low, high, None, source)
    said = [bound for bound in seen if bound.value is None]
    mean = Bound(
        fmean(bound.low for bound in measured),
        fmean(bound.high for bound in measured),
        fmean(bound.value for bound in measured if bound.value is not None),
        source,
    )
    for bound in said:
        mean = mean.within(bound)
    return mean


def _joined_lead(claims: Sequence[Claim]) -> AtLeast | None:
    leads = [one.at_least for one in claims]
    known = [lead for lead in leads if lead is not None]
    if not known or len(known) < len(leads):
        return None
    common = tuple(mode for mode in known[0].modes if all(mode in lead.modes for lead in known))
    return AtLeast(known[0].grade, common)


def _acceptable(joined: Claim, ruling: Sequence[Evidence], limits: Limits) -> tuple[Grade, ...]:
    """Every grade that is a right answer: that given, and those that a guard band touched by a measure adds."""
    if joined.grade is None:
        return ()
    reach: list[tuple[Grade, ...]] = []
    for mode in _modes(joined, limits):
        row, bound = limits.row(joined.part, mode.measure), joined.bounds.get(mode.measure)
        said = grade_of_answer(joined.answers.get(mode.key, NOT_SEEN))
        if bound is not None and bound.value is not None:
            touched = {*row.grades_of(bound.value), *([said] if said else [])}
            reach.append(tuple(grade for grade in GRADES if grade in touched))
        elif said is not None and bound is not None and bound.source in ("reading", "pair"):
            most = min((one.most for one in ruling if mode.key in one.modes), key=GRADES.index)
            likely = [grade for grade in row.grades if not over(said, grade) and not over(grade, most)]
            reach.append(tuple(grade for grade in likely if grade == said or range_of(row, grade).low < bound.high))
        elif said is not None:
            reach.append((said,))
    shown = {mode.key for mode in _modes(joined, limits)}
    reach += [(one.least,) for one in ruling if one.least == joined.grade and set(one.modes) <= shown]
    found = set(worst_of(reach))
    if joined.at_least is not None:
        found = {grade for grade in found if GRADES.index(grade) > GRADES.index(joined.grade)}
    return tuple(grade for grade in GRADES if grade in found | {joined.grade})


def _rank(joined: Claim, ruling: Sequence[Evidence], people: Rank, limits: Limits) -> Rank:
    """That of the evidence where it gives the grade, or clears all that the view shows; else of the people."""
    shown = {mode.key for mode in _modes(joined, limits)}
    for kind in ("reading", "pair"):
        spoken = [one for one in ruling if one.kind == kind and set(one.modes) <= shown]
        settled = {mode for one in spoken for mode in one.modes}
        gives = any(joined.grade in _given(one, joined.part, limits) - {GRADES[0]} for one in spoken)
        if joined.grade is not None and (gives or (spoken and settled == shown)):
            return "reading" if kind == "reading" else "pair"
    return people


def _given(one: Evidence, part: str, limits: Limits) -> set[Grade]:
    """The grades that evidence gives by itself: its own, and those of the values that it holds."""
    return {one.least, *(limits.row(part, name).grade_of(fmean(ends)) for name, ends in one.bounds.items())}


def _modes(one: Claim, limits: Limits) -> tuple[Mode, ...]:
    return tuple(mode for mode, _ in asked(one.part, one.view, limits).modes) if one.judged else ()


__all__ = ["differences", "settle"]
