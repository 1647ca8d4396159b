"""A labelled set of twenty drawn photos, for trainings that are killed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from wearvision.labels.folder import Labelled, write_folder
from wearvision.labels.splits import SPLITS
from wearvision.parts import PARTS
from wearvision.standard import load_limits


def written(folder: Path, photo: Callable[[str, int, str], Labelled]) -> Path:
    """The set's folder."""
    every = [*PARTS, "none"]
    items = [photo(every[at % 4], at, SPLITS[0 if at < 12 else 1 + at % 2]) for at in range(20)]
    write_folder(folder, "tiny", items, load_limits())
    return folder
