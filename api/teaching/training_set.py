"""The frozen set that a training learns from, written out for it as a folder."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy.orm import Session

from wearvision_api.house import House
from wearvision_api.store.teaching_tables import DataSetRow


def write_set(house: House, session: Session, row: DataSetRow, folder: Path) -> None:
    """Writes a frozen set as a labelled folder; photos that were erased since are left out.

    Raises:
        wearvision.errors.WearvisionError: the set cannot be had whole.
    """
    from wearvision_api.teaching import set_export

    set_export.write(house, session, row, folder)
