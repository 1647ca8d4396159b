"""How far a run is, by steps or by time, whichever is further; and the learning rate that goes with it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

FIRST, LAST = 0.04, 1e-3
"""Learning rate at the start and at the end, as shares of the peak."""


@dataclass(slots=True)
class Clock:
    """Progress of a run from 0 to 1.

    A run that must end within some seconds has annealed by then however slow its machine is: progress is the larger
    of steps done and time used. Time counts over all starts of a run: what an earlier one had reached is kept, and the
    seconds between starts are not counted.

    Attributes:
        steps: Of the whole run.
        limit: Seconds of the whole run, 0 for none.
        done: Progress that an earlier start of the same run had reached.
        started: Reading of ``now`` when it began.
        now: Gives seconds.
    """

    steps: int
    limit: float = 0.0
    done: float = 0.0
    started: float = field(default_factory=time.monotonic)
    now: Callable[[], float] = time.monotonic

    def progress(self, step: int) -> float:
        """How far the run is after ``step`` steps."""
        by_time = 0.0
        if self.limit > 0:
            by_time = self.done + (self.now() - self.started) / self.limit
        return min(1.0, max(step / self.steps, by_time, self.done))


def rate_factor(progress: float, warm_up: float) -> float:
    """The rate over its peak: a half cosine up, then one down, as the one-cycle policy has it.

    Source: Smith and Topin, "Super-Convergence" (2018), with cosines for the straight lines.
    """
    if progress < warm_up:
        return FIRST + (1 - FIRST) * (1 - math.cos(math.pi * progress / warm_up)) / 2
    down = min(1.0, (progress - warm_up) / (1 - warm_up))
    return LAST + (1 - LAST) * (1 + math.cos(math.pi * down)) / 2
