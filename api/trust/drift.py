"""A drift alarm: have photos, or what hand checks say of them, changed since the model came into use?

Looked at weekly, each Monday, in two ways. *Photos*: each number of ``facts.INPUTS`` of the newest eight weeks against
the model's first thirteen, part by part (two-sample Kolmogorov-Smirnov), and the share that could not be judged
(Fisher's exact test). *Checks*: how many of those asked for bore the photo out in the thirteen weeks up to two weeks
ago, against the first thirteen, within part and reason for asking (exact conditional test over strata).

False alarms: Holm's correction keeps the chance of any at one look, and a look may use up 1/53 of the year's
(Bonferroni), whatever the looks have in common; photos and checks have half each. So a year without any change raises
an alarm with a chance of ``ALARM_YEAR`` at most. Photos of one visit resemble each other, so one grade a machine (one
an account and day where no machine is known) is taken in each window: the first.

Source: Kolmogorov-Smirnov and Fisher by SciPy; exact test over strata: Zelen, 1971; Holm, 1979 (from memory).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision_api.figures.lots import holm
from wearvision_api.trust.facts import INPUTS
from wearvision_api.trust.population import Counted

ALARM_YEAR = 0.05
"""Chance of any false alarm in a year of weekly looks, at most."""
LOOKS = 53
"""In a year."""
LOOK_ALARM = ALARM_YEAR / 2 / LOOKS
"""Chance of a false alarm at one look in one of the two ways."""
WEEK = timedelta(days=7)
FIRST_WEEKS = 13
NEWEST_WEEKS = 8
CHECKED_WEEKS = 13
BACK_WEEKS = 2
"""Checks of the newest weeks are not counted: a bad reading settles a grade before the last good one has come back."""
LEAST = 20
"""Grades that each window must hold."""
UNUSABLE = "unusable"
Kind = Literal["photos", "checks"]


@dataclass(frozen=True, slots=True)
class Compared:
    """One number beside what it was.

    Attributes:
        kind: ``photos`` or ``checks``.
        what: One of ``INPUTS``, ``unusable``, or the grade whose checks are counted.
        part: Key; empty: all parts.
        first: Grades in the first window.
        newest: In the newest one.
        before: Median of the number, or the share, in the first window.
        after: In the newest one.
        p: Chance of so large a difference without any change.
        p_holm: The same, corrected for the number of tests of this look.
        alarm: Whether it is too small to be chance.
    """

    kind: Kind
    what: str
    part: str
    first: int
    newest: int
    before: float
    after: float
    p: float
    p_holm: float = 1.0
    alarm: bool = False


@dataclass(frozen=True, slots=True)
class Look:
    """One weekly look: its moment, the tests with the smallest p first, and what could not be tested, for people."""

    at: datetime
    tests: tuple[Compared, ...]
    untested: tuple[str, ...]

    @property
    def alarms(self) -> tuple[Compared, ...]:
        """Those that raise an alarm."""
        return tuple(one for one in self.tests if one.alarm)


def monday(at: datetime) -> datetime:
    """The Monday, 0:00 UTC, on which a moment's week began."""
    day = at.astimezone(UTC).date()
    return datetime.combine(day - timedelta(days=day.weekday()), time(), UTC)


def looks(rows: Sequence[Counted], until: datetime, most: int = LOOKS) -> list[Look]:
    """The newest weekly looks at one model, oldest first.

    Args:
        rows: All grades of the model, oldest first.
        until: The last look is on the Monday before.
        most: How many.
    """
    if not rows:
        return []
    last = monday(until)
    first = max(monday(rows[0].at) + (FIRST_WEEKS + 1) * WEEK, last - (most - 1) * WEEK)
    return [look(rows, first + place * WEEK) for place in range(max(0, (last - first) // WEEK + 1))]


def look(rows: Sequence[Counted], at: datetime) -> Look:
    """Looks once.

    Args:
        rows: All grades of the model, oldest first; later ones than ``at`` are not seen.
        at: Moment of the look.
    """
    tests: list[Compared] = []
    untested: list[str] = []
    for made in (_photo_tests(rows, at), _check_tests(rows, at)):
        found = [one for one in made if isinstance(one, Compared)]
        untested += [one for one in made if isinstance(one, str)]
        corrected = holm(np.array([one.p for one in found]))
        pairs = zip(found, map(float, corrected), strict=True)
        tests += [replace(one, p_holm=p, alarm=p <= LOOK_ALARM) for one, p in pairs]
    return Look(at, tuple(sorted(tests, key=lambda one: one.p_holm)), tuple(untested))


def _photo_tests(rows: Sequence[Counted], at: datetime) -> list[Compared | str]:
    found: list[Compared | str] = []
    for part, spec in PARTS.items():
        first, newest = _windows([one for one in rows if one.part == part and one.grade], at, NEWEST_WEEKS)
        if min(len(first), len(newest)) < LEAST:
            found.append(f"{spec.title.capitalize()}: {len(first)} and {len(newest)} photos, {LEAST} each are needed.")
            continue
        for name in INPUTS:
            values = [[one.inputs[name] for one in window if name in one.inputs] for window in (first, newest)]
            if min(map(len, values)) >= LEAST:
                found.append(_smirnov(name, part, *values))
    first, newest = _windows(rows, at, NEWEST_WEEKS)
    if min(len(first), len(newest)) >= LEAST:
        found.append(_unusable(first, newest))
    return found


def _smirnov(name: str, part: str, first: Sequence[float], newest: Sequence[float]) -> Compared:
    middles = float(np.median(first)), float(np.median(newest))
    return Compared("photos", name, part, len(first), len(newest), *middles, smirnov(first, newest))


def smirnov(first: Sequence[float], newest: Sequence[float]) -> float:
    """Chance of so large a distance between two samples of one law (Kolmogorov-Smirnov, two-sided, exact)."""
    from scipy.stats import ks_2samp

    return float(ks_2samp(first, newest).pvalue)


def _unusable(first: Sequence[Counted], newest: Sequence[Counted]) -> Compared:
    """More photos that cannot be judged; fewer are no harm."""
    counts = [(sum(one.grade is None for one in window), len(window)) for window in (first, newest)]
    p = stratified([(*counts[0], *counts[1])], "greater")
    (some, of), (more, out_of) = counts
    return Compared("photos", UNUSABLE, "", of, out_of, some / of, more / out_of, p)


def _check_tests(rows: Sequence[Counted], at: datetime) -> list[Compared | str]:
    """Fewer confirmed than before; only parts and reasons for asking that both windows have can tell."""
    found: list[Compared | str] = []
    settled = [one for one in rows if one.asked and one.settled]
    for grade in GRADES:
        until = at - BACK_WEEKS * WEEK
        first, newest = _windows([one for one in settled if one.grade == grade], until, CHECKED_WEEKS, by_part=True)
        strata = _strata(first, newest)
        before, of, after, out_of = (sum(one[place] for one in strata) for place in range(4))
        if min(of, out_of) < LEAST:
            found.append(f"Checks of {grade}: {of} and {out_of} came back, {LEAST} each are needed.")
            continue
        p = stratified(strata, "less")
        found.append(Compared("checks", grade, "", of, out_of, before / of, after / out_of, p))
    return found


def _strata(first: Iterable[Counted], newest: Iterable[Counted]) -> list[tuple[int, int, int, int]]:
    counts: dict[tuple[str, str, float], NDArray[np.int64]] = defaultdict(lambda: np.zeros(4, np.int64))
    for place, window in enumerate((first, newest)):
        for one in window:
            cell = counts[one.part, one.why, one.chance]
            cell[2 * place] += one.standing == "confirmed"
            cell[2 * place + 1] += 1
    return [tuple(map(int, cell)) for cell in counts.values() if cell[1] and cell[3]]  # type: ignore[misc]


def stratified(strata: Sequence[tuple[int, int, int, int]], side: Literal["less", "greater"]) -> float:
    """Exact conditional test that a share is the same before and after, within strata.

    Given each stratum's sums the count after is hypergeometric; the sum over strata has their convolution. With one
    stratum it is Fisher's exact test, one-sided.

    Args:
        strata: Found before, out of, found after, out of.
        side: ``less``: fewer after than before; ``greater``: more.

    Returns:
        The chance of so few (so many) after, or fewer (more), if nothing changed.
    """
    from scipy.stats import hypergeom

    law, found = np.ones(1), 0
    for before, of, after, out_of in strata:
        if of + out_of == 0:  # the library has no law of an empty stratum; it tells nothing
            continue
        law = np.convolve(law, hypergeom.pmf(np.arange(out_of + 1), of + out_of, before + after, out_of))
        found += after
    tail = law[: found + 1] if side == "less" else law[found:]
    return float(min(1.0, tail.sum()))


def _windows(
    rows: Sequence[Counted], at: datetime, weeks: int, *, by_part: bool = False
) -> tuple[list[Counted], list[Counted]]:
    """The first window and the newest one before ``at``; they never overlap.

    The first one goes on week by week until it holds enough, where thirteen weeks do not.
    """
    key: Callable[[Counted], object] = (lambda one: (one.place, one.part)) if by_part else (lambda one: one.place)
    seen = [one for one in rows if one.at < at]
    if not seen:
        return [], []
    ends = monday(seen[0].at) + FIRST_WEEKS * WEEK
    first = _one_each(seen, key, None, ends)
    while len(first) < LEAST and ends + WEEK < at:
        ends += WEEK
        first = _one_each(seen, key, None, ends)
    return first, _one_each(seen, key, max(ends, at - weeks * WEEK), at)


def _one_each(
    rows: Sequence[Counted], key: Callable[[Counted], object], since: datetime | None, until: datetime
) -> list[Counted]:
    kept: dict[object, Counted] = {}
    for one in rows:
        if (since is None or one.at >= since) and one.at < until:
            kept.setdefault(key(one), one)
    return list(kept.values())
