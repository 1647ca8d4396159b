"""What stands above labels: hand-check readings, and pairs of photos before and after wiping."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from wearvision.readings import Finding
from wearvision.standard.grades import GRADES, Grade
from wearvision.wiping import WipingPair

EvidenceKind = Literal["reading", "pair"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a reading or a pair says of the modes that it decides, and of no others.

    Attributes:
        kind: A reading outranks a pair.
        modes: The modes that it decides together.
        least: The worst of these modes is this bad at least …
        most: … and this bad at most.
        bounds: Measure to the range in which it lies, where the evidence says that much.
    """

    kind: EvidenceKind
    modes: tuple[str, ...]
    least: Grade
    most: Grade
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.modes or GRADES.index(self.least) > GRADES.index(self.most):
            raise ValueError(f"no evidence: {self.modes} from {self.least} to {self.most}")


def of_reading(finding: Finding) -> Evidence | None:
    """What a hand check's reading decides; None where it is no verdict.

    A good reading says that nothing must be replaced; what is there to be cleaned it does not deny.
    """
    if not finding.modes:
        return None
    if finding.says == "good":
        return Evidence("reading", finding.modes, "serviceable", "clean-and-reuse")
    grade: Grade = "replace" if finding.says == "replace" else "clean-and-reuse"
    return Evidence("reading", finding.modes, grade, grade)


def of_pair(pair: WipingPair, mode_of: Mapping[str, str], *, before: bool) -> tuple[Evidence, ...]:
    """What a pair before and after wiping decides about one of its two photos.

    Args:
        pair: The pair.
        mode_of: Measure to mode, of the part.
        before: Whether the photo is the one before wiping: it shows what was wiped off, the other one does not.

    Returns:
        One for each measure; what the pair says of the film is not said of the photo after wiping.
    """
    ranges = {**({} if before else pair.stays), **(_shown_before(pair) if before else {})}
    return tuple(
        Evidence("pair", (mode_of[measure],), GRADES[0], GRADES[-1], {measure: ends})
        for measure, ends in ranges.items()
        if measure in mode_of
    )


def _shown_before(pair: WipingPair) -> dict[str, tuple[float, float]]:
    """What the photo before wiping shows: what wiping took away, and what stayed of other measures."""
    both = {measure: ends for measure, ends in pair.stays.items() if measure not in pair.wiped}
    for measure, (low, high) in pair.wiped.items():
        rest = pair.stays.get(measure, (0.0, 0.0))
        both[measure] = (low + rest[0], high + rest[1])
    return both


def in_force(evidence: Sequence[Evidence]) -> tuple[Evidence, ...]:
    """The evidence that counts: a pair is silent where a reading speaks, and of two that differ the worse holds."""
    read = {mode for one in evidence if one.kind == "reading" for mode in one.modes}
    heard = [one for one in evidence if one.kind == "reading" or not read & set(one.modes)]
    kept = [
        one
        for one in heard
        if not any(
            GRADES.index(other.least) > GRADES.index(one.most) and set(other.modes) & set(one.modes) for other in heard
        )
    ]
    return tuple(sorted(kept, key=lambda one: (one.kind, one.modes, one.least, one.most, sorted(one.bounds.items()))))


__all__ = ["Evidence", "EvidenceKind", "in_force", "of_pair", "of_reading"]
