"""A return with its photo, likeness and record, moved by a backup to the other database and still whole."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.honesty.check import remember
from wearvision_api.house import House
from wearvision_api.record.ledger import append, head, lines
from wearvision_api.record.tombstones import photo_check
from wearvision_api.record.verify import verify
from wearvision_api.settings import Settings
from wearvision_api.store.engine import open_existing
from wearvision_api.store.honesty_tables import Likeness, Mark
from wearvision_api.store.return_tables import ReturnPhoto, ReturnRow
from wearvision_api.store.tables import PhotoRow
from wearvision_api.upkeep.backup import backup, restore

OWNER = "00000000-0000-4000-8000-000000000001"


@pytest.mark.postgres
@pytest.mark.parametrize("to_postgres", [True, False])
def test_return_and_record_move_to_the_other_database(
    to_postgres: bool, tmp_path: Path, new_postgres: Callable[[], str], sample: Path
) -> None:
    databases = ["", new_postgres()] if to_postgres else [new_postgres(), ""]
    old, new = (Settings(data=tmp_path / f"data{n}", database=one, workers=1) for n, one in enumerate(databases))
    house = House.open(old)
    name = house.blobs.put(sample.read_bytes())
    with house.session() as session:
        said = {"media_type": "image/jpeg", "bytes": 1, "width": 1, "height": 1, "purpose": "other"}
        session.add(PhotoRow(id="p", owner_id=OWNER, sha256=name, **said))
        day = date(2026, 3, 2)
        session.add(ReturnRow(id="r", owner_id=OWNER, number="26-00042-31", part="flame_cell", returned_on=day))
        session.flush()
        row = ReturnPhoto(id="rp", owner_id=OWNER, return_id="r", photo_id="p", sha256=name, view="face")
        session.add(row)
        session.flush()
        remember(house, session, row)
        append(session, "anna", "opened", "return", "r", after={"story": "Ä “quoted” \U0001f527\n\x00"}, photos=[name])
        session.commit()
        ended = head(session)
        likeness = session.scalars(select(Likeness)).one()
        marks = set(session.execute(select(Mark.key)).scalars())
    backup(old.database_url, old.blob_url, tmp_path / "backup.tar")
    house.close()
    restore(tmp_path / "backup.tar", new.database_url, new.blob_url)
    engine = open_existing(new.database_url)
    with Session(engine) as session:
        assert session.get_one(ReturnRow, "r").returned_on == day
        moved = session.scalars(select(Likeness)).one()
        assert (moved.picture, moved.marks) == (likeness.picture, likeness.marks)
        assert set(session.execute(select(Mark.key)).scalars()) == marks != set()
        verdict = verify(lines(session), photo=photo_check(lambda: Session(engine), house.blobs))
        assert (verdict.broken, verdict.digest, verdict.photos) == (None, ended.digest, 1)
    engine.dispose()
