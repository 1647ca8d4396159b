"""Photos with their truth, as a labelled folder holds them; ``wearvision.labels.folder`` writes and reads one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.errors import InputError
from wearvision.labels.splits import Split
from wearvision.labels.truth import Truth

SET, LINES, TABLE, PHOTOS, MASKS = "set.json", "examples.jsonl", "examples.csv", "photos", "masks"


class FolderError(InputError):
    """A labelled folder that cannot be read; names file and line."""

    code = "bad_folder"

    def __init__(self, file: str, reason: str, line: int | None = None) -> None:
        super().__init__(f"{file}, line {line}: {reason}" if line else f"{file}: {reason}")
        self.file, self.line = file, line


@dataclass(frozen=True, slots=True)
class Labelled:
    """One photo with what is known of it.

    Attributes:
        sha256: Of the photo as it came, which names it in its service; the file in a folder may have lost metadata.
        photo: Its bytes, or where its file lies.
        machine: Identifier of the machine; empty if unknown.
        group: What must not be divided between splits.
        split: ``train``, ``calibrate`` or ``test``.
        at_random: Drawn by chance, so that rates may be measured on it.
        truth: What is taken as true.
        labels: The labels behind it as JSON, each with ``author``, ``turn``, ``at`` and ``body``.
        masks: Region or mark to bool (H, W) of the upright photo, at its size or smaller.
    """

    sha256: str
    photo: bytes | Path
    machine: str
    group: str
    split: Split
    at_random: bool
    truth: Truth
    labels: tuple[dict[str, Any], ...] = ()
    masks: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)

    def read_bytes(self) -> bytes:
        """The photo's bytes."""
        return self.photo if isinstance(self.photo, bytes) else self.photo.read_bytes()


@dataclass(frozen=True, slots=True)
class LabelledSet:
    """A labelled folder.

    Attributes:
        folder: Where it lies.
        name: Its name.
        sha256: Of ``examples.jsonl``; empty for a folder made by hand, whose content nothing vouches for.
        made: When it was written, ISO 8601; empty if unknown.
        limits: ``id`` and ``sha256`` of the limits under which its truths were settled; empty if unknown.
        items: One a photo, in the order of the file.
    """

    folder: Path
    name: str
    sha256: str
    made: str
    limits: Mapping[str, str]
    items: tuple[Labelled, ...]

    def __len__(self) -> int:
        return len(self.items)

    def __iter__(self) -> Iterator[Labelled]:
        return iter(self.items)

    @property
    def frozen(self) -> bool:
        """Whether hashes vouch for its content."""
        return bool(self.sha256)

    def of_split(self, split: Split) -> tuple[Labelled, ...]:
        """Those of one split."""
        return tuple(item for item in self.items if item.split == split)
