"""The stages of a release: what each runs, what it takes up meanwhile, what it needs, and when it is over."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wearvision_training.release.plan import SetPlan

KINDS = ("draw", "compare", "train", "export", "calibrate", "evaluate", "variants")
"""Kinds of stages, in the order in which they come."""
WORKSHOP = (sys.executable, "-m", "wearvision_training")
CORES = "cores"
"""What stages take up that need no accelerator, where there is one."""


@dataclass(frozen=True, slots=True)
class Need:
    """Something that must be there before a stage can start.

    Attributes:
        stage: Whose work it is.
        enough: Whether it already suffices while that stage is still at work; by default it never does.
    """

    stage: Stage
    enough: Callable[[], bool] = lambda: False


@dataclass(slots=True)
class Stage:
    """One command, run until it is over.

    Attributes:
        name: Unique. kind: one of ``KINDS``.
        takes: Devices, or ``CORES``; stages that take the same thing run one after the other, in the plan's order.
        one: Whether any one of them does.
        product: File or folder that shows that there is something to go on with.
        arguments: The command.
        needs: What must be there before it starts.
        serves: The stage for which alone this one works: it stops when that one is over.
    """

    name: str
    kind: str
    takes: tuple[str, ...]
    product: Path
    arguments: Sequence[str] = ()
    needs: tuple[Need, ...] = ()
    one: bool = False
    serves: Stage | None = field(default=None, repr=False)
    ended: bool = False
    """Whether no more is to be expected of it in this call."""

    def command(self, used: float, left: float | None) -> list[str]:
        """The command of a start, with ``used`` seconds spent on the stage before and ``left`` for this start."""
        del used, left
        return [*WORKSHOP, *self.arguments]

    def over(self, used: float, result: str) -> bool:
        """Whether nothing is left to do, given the seconds used and the result noted last."""
        del used
        return result == "done" and self.usable()

    def usable(self) -> bool:
        """Whether it has delivered something."""
        return self.product.exists()

    def pictures(self) -> int | None:
        """How many pictures it has made; None for a stage that makes none."""
        return None


@dataclass(slots=True)
class Drawing(Stage):
    """Makes a set, as far as its time goes."""

    plan: SetPlan = field(default_factory=SetPlan)

    def command(self, used: float, left: float | None) -> list[str]:  # noqa: D102
        # A set of which nothing came is given all of its time again.
        limits = [self.plan.seconds - (used if self.usable() else 0.0)] if self.plan.seconds else []
        limits += [left] if left is not None else []
        limit = ("--time-limit", f"{max(1.0, min(limits)):.0f}") if limits else ()
        polite = ("nice", "-n", str(self.plan.nice)) if self.plan.nice else ()
        return [*polite, *WORKSHOP, *self.arguments, *limit]

    def over(self, used: float, result: str) -> bool:  # noqa: D102
        # A set that was brought from elsewhere has no time noted, and is whole or goes on.
        return self.pictures() >= self.plan.count or (0 < self.plan.seconds <= used and self.usable())

    def usable(self) -> bool:  # noqa: D102
        return self.pictures() > 0

    def pictures(self) -> int:  # noqa: D102
        return sum(self._of_shard(int(file.stem)) for file in self.product.glob("*.jsonl"))

    def in_order(self, count: int) -> bool:
        """Whether the first ``count`` pictures are there, with none missing between."""
        number = 0
        while (self.product / f"{number:05d}.jsonl").is_file():
            count -= self._of_shard(number)
            number += 1
        return count <= 0

    def _of_shard(self, number: int) -> int:
        held: int = min(self.plan.shard, self.plan.count - number * self.plan.shard)
        return max(0, held)


@dataclass(slots=True)
class Training(Stage):
    """Trains, in legs where a set still grows."""

    leg: float = 0.0
    growing: Callable[[], bool] = lambda: False
    prefix: tuple[str, ...] = WORKSHOP

    def command(self, used: float, left: float | None) -> list[str]:  # noqa: D102
        legs = [self.leg] if self.leg and self.growing() else []
        legs += [left] if left is not None else []
        return [*self.prefix, *self.arguments, *(("--leg", f"{max(1.0, min(legs)):.0f}") if legs else ())]

    def over(self, used: float, result: str) -> bool:  # noqa: D102
        return bool(self.told().get("finished"))

    def told(self) -> dict[str, Any]:
        """What the run says of itself; empty before it has said anything."""
        file = self.product.parent / "run.json"
        found: dict[str, Any] = json.loads(file.read_text("utf-8")) if file.is_file() else {}
        return found
