"""Data sets as JSON."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from wearvision.labels.truth import Rank
from wearvision_api.routes.schemas import Body, Moment, PartName, Public, RecordId, Remark

Source = Literal["grade", "inspection", "return", "folder"]
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Ground = Annotated[Remark, StringConstraints(min_length=3, max_length=500)]


class SetCreate(Body):
    """Freezes all settled examples that are chosen; what is left empty chooses all."""

    name: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80)]
    note: Remark = Field("", description="What it is for.")
    parts: list[PartName | Literal["none"]] = Field([], max_length=4, description="`none`: photos that show no part.")
    sources: list[Source] = Field([], max_length=4)
    least: Rank = Field("one", description="The lowest rank of a truth; what one person says alone is the lowest.")
    until: datetime | None = Field(None, description="Settled at this moment or before; with its time zone.")


class LeftOut(Public):
    """A photo that the set names and that is handed out no longer."""

    sha256: Digest
    why: Literal["erased", "permission withdrawn"]


class SetPublic(Public):
    """A frozen set; it never changes."""

    id: RecordId
    created_at: Moment
    by: str
    name: str
    note: str
    sha256: Digest = Field(description="Of the manifest, which names every photo, label and mask by hash.")
    counts: dict[str, Any] = Field(description="Photos by part, grade and split, by split, and by rank of their truth.")
    left_out: list[LeftOut] = Field(description="Photos erased since, or whose permission was withdrawn.")
    models: list[str] = Field(description="Models taught with it, or taught on from one that was.")


class SetList(Public):
    """All sets, newest first."""

    items: list[SetPublic]


class TakenPublic(Public):
    """What became of one photo."""

    name: str
    example: str = Field(description="Id; empty where there is none.")
    fault: str = Field(description="Why there is none; empty: all went well.")
    is_new: bool = Field(description="False where the same photo was an example before.")


class HeapPublic(Public):
    """What became of many photos."""

    new: int
    known: int
    faults: int
    rows: list[TakenPublic]


class FolderPublic(Public):
    """What became of a labelled folder: a set of its own, or examples."""

    set: SetPublic | None
    taken: HeapPublic | None


SET: dict[str, Any] = {
    "id": "3f1f4a3e-95ab-4c5e-8f2f-6f6bde5a2b10",
    "created_at": "2026-05-04T09:30:00Z",
    "by": "trainer-1",
    "name": "2026 spring",
    "note": "All that was settled by April.",
    "sha256": "5c9a3f0f1ad0a6d5b3cbb9d5c0f9e8c3bb5a2d3f4cf5a1c0d7e6b8a9f0e1d2c3",
    "counts": {
        "photos": 3,
        "groups": 2,
        "machines": 2,
        "splits": {"train": 2, "test": 1},
        "ranks": {"agreed": 3},
        "parts": {"coupler": {"replace": {"train": 2, "test": 1}}},
    },
    "left_out": [],
    "models": ["site-2026-05"],
}
TAKEN: dict[str, Any] = {"name": "H-07/face.jpg", "example": SET["id"], "fault": "", "is_new": True}
HEAP: dict[str, Any] = {"new": 1, "known": 0, "faults": 0, "rows": [TAKEN]}
SET_EXAMPLES: dict[str, Any] = {
    "SetCreate": {"name": "2026 spring", "note": "All that was settled by April.", "least": "agreed"},
    "SetPublic": SET,
    "SetList": {"items": [SET]},
    "LeftOut": {"sha256": SET["sha256"], "why": "erased"},
    "HeapPublic": HEAP,
    "FolderPublic": {"set": SET, "taken": None},
    "Body_take_heap_api_v1_heaps_post": {"file": "the archive's bytes", "ground": "our own machines"},
    "Body_take_folder_api_v1_sets_folders_post": {"file": "the archive's bytes", "ground": "our own machines"},
}
"""By the name of their schema; ``examples.py`` puts them into the document."""
