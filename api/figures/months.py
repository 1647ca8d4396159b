"""Returns by month: how many, which share of all, and how many to a thousand parts fitted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np

from wearvision_api.figures.asked import Asked, Back
from wearvision_api.figures.lots import count_intervals, share_interval
from wearvision_api.figures.population import Cohort

By = Literal["cause", "part_number", "lot"]
MOST_GROUPS = 12
"""The rest is put together."""
OTHERS = "all others"


@dataclass(frozen=True, slots=True)
class Month:
    """Returns of one group in one month.

    Attributes:
        month: As 2026-03.
        group: Class of cause, part number or lot; empty where it is not told.
        found: Returns of this group.
        of: All returns of the month.
        share: ``found`` / ``of``.
        low: Lower end of the share's 95 % interval (Wilson).
        high: Upper end.
        fitted: Parts fitted by the middle of the month, of the group where groups are numbers or lots; None: unknown.
        rate: Returns in this month to a thousand of these; None where they are unknown.
        rate_low: Lower end of its exact 95 % interval for a Poisson count.
        rate_high: Upper end.
    """

    month: str
    group: str
    found: int
    of: int
    share: float
    low: float
    high: float
    fitted: int | None = None
    rate: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None


def months(backs: Iterable[Back], known: Sequence[Cohort], by: By, asked: Asked) -> list[Month]:
    """Every month with a return, and in it every group; newest month first.

    Args:
        backs: Returns of one part.
        known: Its population; may be empty.
        by: What the groups are.
        asked: Which class of cause counts; the others stay in ``of``.
    """
    all_of: Counter[str] = Counter()
    found: Counter[tuple[str, str]] = Counter()
    for back in backs:
        month = back.returned_on.isoformat()[:7]  # "%Y" leaves the noughts of the year 0026 out
        all_of[month] += 1
        if asked.counts(back.cause):
            found[month, getattr(back, by)] += 1
    size: Counter[str] = Counter()
    for (_, group), count in found.items():
        size[group] += count
    kept = {group for group, _ in size.most_common(MOST_GROUPS)}
    small: Counter[tuple[str, str]] = Counter()
    for (month, group), count in found.items():
        small[month, group if group in kept else OTHERS] += count
    rows = [_month(month, group, count, all_of[month], known, by) for (month, group), count in small.items()]
    return sorted(sorted(rows, key=lambda row: (-size[row.group], row.group)), key=lambda row: row.month, reverse=True)


def _month(month: str, group: str, found: int, of: int, known: Sequence[Cohort], by: By) -> Month:
    low, high = share_interval(found, of) or (0.0, 1.0)
    middle = date.fromisoformat(f"{month}-15")
    ran = [one for one in known if one.since <= middle and (by == "cause" or getattr(one, by) == group)]
    fitted = sum(one.count for one in ran)
    if not fitted:
        return Month(month, group, found, of, found / of, low, high)
    fewest, most = count_intervals(np.array([found]))
    rates = (1000 * float(value) / fitted for value in (found, fewest[0], most[0]))
    return Month(month, group, found, of, found / of, low, high, fitted, *rates)
