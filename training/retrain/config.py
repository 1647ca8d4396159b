"""What a training is asked to do."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

Report = dict[str, Any]
"""What ``report.json`` holds, as plain JSON values."""
Stage = Literal["heads", "more"]
NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}")


def processors() -> int:
    """How many worker processes this machine's processors carry."""
    return min(16, len(os.sched_getaffinity(0)))


@dataclass(frozen=True, slots=True)
class Config:
    """One training.

    Attributes:
        folder: The labelled folder.
        base: The model to start from: a folder, or the id of a released model.
        id: Name of the new model: small letters, digits, dot, dash, underscore.
        out: Folder of the training; what is done lies in it, and the same call goes on.
        stage: ``"heads"`` trains the heads; ``"more"`` then the regions and the last of the backbone too.
        replay_count: Pictures that are drawn so that nothing is forgotten.
        check_count: Drawn pictures of other designs on which intervals are checked.
        synthetic_count: Drawn pictures of held-out designs on which old and new are compared.
        copies: Changed copies of each photo of the site that are learned from beside it.
        minutes: What the stage ``"more"`` may take until all is done; None for no limit.
        device: ``"auto"``, ``"cpu"`` or ``"cuda"``.
        seed: Of everything by chance.
        workers: Processes that look, draw and grade.
        limits: File of the site's limits, or None.
        cache: Where looks and drawn pictures are kept, also for other trainings; by default in ``out``.
        only: SHA-256 of the photos to learn from, of those in the split *train*; None for all.
    """

    folder: Path
    base: Path | str
    id: str
    out: Path
    stage: Stage = "heads"
    replay_count: int = 500
    check_count: int = 120
    synthetic_count: int = 150
    copies: int = 3
    minutes: float | None = None
    device: str = "auto"
    seed: int = 1
    workers: int = 0
    limits: Path | None = None
    cache: Path | None = None
    only: frozenset[str] | None = None

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.id):
            raise ValueError(f"a model's id has small letters, digits, dots, dashes and underscores, got {self.id!r}")
        if min(self.replay_count, self.check_count, self.synthetic_count, self.copies, self.workers) < 0:
            raise ValueError("counts cannot be negative")
        if self.device not in ("auto", "cpu", "cuda") or self.stage not in ("heads", "more"):
            raise ValueError(f"unknown device {self.device!r} or stage {self.stage!r}")

    @property
    def hands(self) -> int:
        """Worker processes."""
        return self.workers or processors()

    @property
    def kept(self) -> Path:
        """Where looks and drawn pictures are kept."""
        return self.cache or self.out / "cache"
