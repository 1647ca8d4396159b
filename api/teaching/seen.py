"""Which data sets hold a photo, and which models were taught with it; asked where a photo is erased or withdrawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.store.tables import PhotoRow
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, ModelRow


@dataclass(frozen=True, slots=True)
class Seen:
    """Who has seen a photo.

    Attributes:
        sets: Names of the frozen sets that hold it, in the order of the alphabet.
        models: Ids of the models taught with one of these sets, and of those that were taught on from such a model.
    """

    sets: tuple[str, ...] = ()
    models: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Whether anything has."""
        return bool(self.sets or self.models)

    def to_dict(self) -> dict[str, Any]:
        """For answers and entries of the record."""
        return {"sets": list(self.sets), "models": list(self.models)}

    @property
    def words(self) -> str:
        """A sentence for whoever asked to take the photo out."""
        if not self:
            return "No data set holds it, and no model was taught with it."
        sets = f"Data sets that hold it: {', '.join(self.sets)}. " if self.sets else ""
        if not self.models:
            return f"{sets}No model was taught with it."
        return f"{sets}Models taught with it: {', '.join(self.models)}; they keep what they learned."


def seen_by(session: Session, photo_id: str) -> Seen:
    """Sets and models that saw a photo, under this record or another one of the very same bytes.

    Args:
        session: For reading.
        photo_id: Of the photo's record; one that does not exist was seen by nobody.
    """
    digest = select(PhotoRow.sha256).where(PhotoRow.id == photo_id).scalar_subquery()
    same = select(PhotoRow.id).where(PhotoRow.sha256 == digest)
    holding = select(DataSetPhoto.set_id).where(DataSetPhoto.photo_id.in_(same))
    sets = session.execute(select(DataSetRow.id, DataSetRow.name).where(DataSetRow.id.in_(holding))).all()
    return Seen(tuple(sorted(name for _, name in sets)), taught_with(session, {set_id for set_id, _ in sets}))


def taught_with(session: Session, sets: set[str]) -> tuple[str, ...]:
    """Ids of the models taught with one of these sets, or taught on from a model that was.

    Args:
        session: For reading.
        sets: Ids.
    """
    if not sets:
        return ()
    rows = session.execute(select(ModelRow.id, ModelRow.base, ModelRow.set_id)).all()
    found = {model for model, _, set_id in rows if set_id in sets}
    while heirs := {model for model, base, _ in rows if base in found} - found:
        found |= heirs
    return tuple(sorted(found))


__all__ = ["Seen", "seen_by", "taught_with"]
