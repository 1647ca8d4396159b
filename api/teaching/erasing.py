"""What teaching keeps of a photo and lets go when it is erased.

Masks, drawings and features go: they are pictures of it in another form. What people said of it in words stays, and so
does the settled truth, without a picture. A frozen set goes on naming its hash; its manifest never changes.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from wearvision_api.store.tables import PhotoRow
from wearvision_api.store.teaching_tables import (
    DataSetPhoto,
    DoubtRow,
    ExampleRow,
    FeatureRow,
    LabelRow,
    PracticeRow,
)
from wearvision_api.teaching.examples import ERASED

DRAWN = ("marks", "regions")
"""Members of a label's body that were drawn over the photo."""


def forget(session: Session, photo: PhotoRow, who: str, at: datetime, reason: str) -> list[str]:
    """Takes a photo out of teaching. The caller commits, and removes the blobs.

    Args:
        session: Of a writing transaction that holds the photo.
        photo: Its record.
        who: Account name.
        at: When.
        reason: Why.

    Returns:
        Hashes of what was made of it.
    """
    pieces: list[str] = []
    for row in session.scalars(select(DataSetPhoto).where(DataSetPhoto.photo_id == photo.id)):
        pieces += row.pieces.values()
        row.pieces = {}
    example = session.scalar(select(ExampleRow).where(ExampleRow.photo_id == photo.id).with_for_update())
    if example is not None:
        pieces += (example.brought or {}).get("masks", {}).values()
        _leave_out(session, example, who, at, reason)
    living = select(PhotoRow.id).where(
        PhotoRow.sha256 == photo.sha256, PhotoRow.id != photo.id, PhotoRow.erased_at.is_(None)
    )
    if session.scalar(living.limit(1)) is None:
        session.execute(delete(FeatureRow).where(FeatureRow.sha256 == photo.sha256))
    session.flush()
    return sorted(set(pieces))


def _leave_out(session: Session, example: ExampleRow, who: str, at: datetime, reason: str) -> None:
    """Empties an example: it is neither labelled nor practised on any more."""
    example.state = "left out"
    example.left_out = {"why": ERASED, "by": who, "at": at.isoformat(timespec="seconds"), "reason": reason}
    example.held_by, example.held_until = None, None
    if example.brought is not None:
        said = [one | {"body": without_drawings(one["body"])} for one in example.brought.get("labels", ())]
        example.brought = example.brought | {"labels": said, "masks": {}}
    example.version += 1
    for label in session.scalars(select(LabelRow).where(LabelRow.example_id == example.id)):
        label.body = without_drawings(label.body)
    for answer in session.scalars(select(PracticeRow).where(PracticeRow.example_id == example.id)):
        answer.body = without_drawings(answer.body)
    session.execute(
        update(DoubtRow).where(DoubtRow.example_id == example.id, DoubtRow.answered_at.is_(None)).values(answered_at=at)
    )


def without_drawings(body: Mapping[str, Any]) -> dict[str, Any]:
    """A label's body without what was drawn over the photo."""
    return {name: value for name, value in body.items() if name not in DRAWN}


def remove_copies(trainings: Path, digests: Iterable[str]) -> int:
    """Removes what trainings on this machine keep of photos: the sets written out for them, and what was seen in them.

    A training that is at work with one of them is asked to stop; started again, it goes without.

    Args:
        trainings: Folder of the trainings' folders; need not exist.
        digests: SHA-256 of erased photos.

    Returns:
        How many sets were removed.
    """
    gone = set(digests)
    holding = {photo.parents[2] for photo in trainings.glob("*/set/photos/*") if photo.name.split(".")[0] in gone}
    for folder in holding:
        if (folder / "out").is_dir():
            (folder / "out" / "stop").touch()
        for part in ("set", "out/work"):
            shutil.rmtree(folder / part, ignore_errors=True)
    for kept in (*trainings.glob("cache/looks/*/*"), *trainings.glob("*/out/cache/looks/*/*")):
        if kept.name.split("-")[0] in gone:
            kept.unlink(missing_ok=True)
    return len(holding)


__all__ = ["forget", "remove_copies", "without_drawings"]
