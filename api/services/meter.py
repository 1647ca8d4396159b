"""The hour meter: it runs forward only, and running hours go on when it is replaced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Read:
    """One reading of an hour meter.

    Attributes:
        at: When, in UTC.
        hours: What the meter showed, 0 or more.
        reason: Why it shows less than before; empty where it ran on.
    """

    at: datetime
    hours: float
    reason: str = ""


class RunsBackwards(ValueError):
    """A meter shows less than before, and nobody said why.

    Args:
        before: The earlier reading.
        after: The later one, with the lower number.
    """

    def __init__(self, before: Read, after: Read) -> None:
        super().__init__(
            f"The hour meter cannot run backwards: it read {before.hours:g} h on {before.at:%Y-%m-%d} and "
            f"{after.hours:g} h on {after.at:%Y-%m-%d}. Look again, or give the reason, such as a meter replaced."
        )
        self.before, self.after = before, after


def running_hours(reads: Sequence[Read]) -> list[float]:
    """Hours that the machine has run at each reading, a replaced meter's hours included.

    What ran between the last reading of an old meter and the first of a new one is on neither, and is left out.

    Args:
        reads: In the order of time.

    Raises:
        RunsBackwards: a reading is lower than the one before it and carries no reason.
    """
    total = [reads[0].hours] if reads else []
    for before, after in pairwise(reads):
        if after.reason:
            total.append(total[-1])
            continue
        if after.hours < before.hours:
            raise RunsBackwards(before, after)
        total.append(total[-1] + after.hours - before.hours)
    return total
