"""Backup while a parcel is taken in, restored on the other database: record whole, photos still recognised.

Checked by the record's own verification, by every reference of every table, and by taking the same parcel in again.
"""

from __future__ import annotations

import io
import threading
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import MetaData, func, select

from wearvision.return_numbers import with_check_digits
from wearvision_api.accounts.gate import LOCAL, ensure_local
from wearvision_api.house import House
from wearvision_api.record.commands import check
from wearvision_api.returns import bulk
from wearvision_api.returns.parcels import TABLE, Archive
from wearvision_api.settings import Settings
from wearvision_api.store.honesty_tables import Likeness
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow
from wearvision_api.upkeep.backup import backup, restore

ROWS = 4


def parcel(photo: bytes, *lots: str) -> Archive:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        made.writestr(TABLE, "part,lot,photos\n" + "".join(f"flame_cell,{lot},face=a.jpg\n" for lot in lots))
        made.writestr("a.jpg", photo)
    return Archive(out)


def dangling(house: House) -> list[str]:
    """References whose row is not there."""
    metadata = MetaData()
    metadata.reflect(house.engine)
    found = []
    with house.engine.connect() as connection:
        for table in metadata.tables.values():
            for key in table.foreign_keys:
                there = key.column.table.alias()
                lost = select(func.count()).where(
                    key.parent.is_not(None), ~select(1).where(there.c[key.column.name] == key.parent).exists()
                )
                if connection.scalar(lost):
                    found.append(f"{table.name}.{key.parent.name}")
    return found


@pytest.mark.postgres
@pytest.mark.parametrize(("database", "to_postgres"), [("sqlite", True), ("postgres", False)], indirect=["database"])
def test_backup_amid_a_parcel_is_whole_on_the_other_database(
    settings: Settings, small: bytes, tmp_path: Path, to_postgres: bool, new_postgres: Callable[[], str]
) -> None:
    house = House.open(settings)
    lots = [f"L{number}" for number in range(ROWS)]
    some = threading.Event()

    def take() -> None:
        for number, _ in enumerate(bulk.take_in(house, LOCAL, parcel(small, *lots))):
            if number == 1:
                some.set()

    try:
        with house.session() as session:
            ensure_local(session)
        taking = threading.Thread(target=take)
        taking.start()
        assert some.wait(120)
        backup(settings.database_url, settings.blob_url, tmp_path / "backup.tar")
        taking.join()
    finally:
        house.close()
    new = Settings(data=tmp_path / "new", database=new_postgres() if to_postgres else "", workers=1)
    restore(tmp_path / "backup.tar", new.database_url, new.blob_url)
    options = ["--photos", "--data", str(new.data), *(["--database", new.database] if new.database else [])]
    verified = CliRunner().invoke(check, options)
    assert verified.exit_code == 0, verified.output
    assert "Whole" in verified.output
    house = House.open(new)
    try:
        assert dangling(house) == []
        with house.session(writes=False) as session:
            held = session.scalar(select(func.count()).select_from(ReturnRow)) or 0
            assert 2 <= held <= ROWS
            photos = set(session.scalars(select(ReturnPhoto.id)))
            assert set(session.scalars(select(Likeness.return_photo_id))) == photos
        taken = list(bulk.take_in(house, LOCAL, parcel(small, *lots, "another")))
        assert [one.is_new for one in taken] == [False] * held + [True] * (ROWS + 1 - held)
        assert [one.fault for one in taken] == [""] * (ROWS + 1)
        assert {one.number for one in taken} == {
            with_check_digits(f"{_year(house)}{n:05d}") for n in range(1, ROWS + 2)
        }
        with house.session(writes=False) as session:
            flags = session.scalars(select(Flag.kind).where(Flag.return_id == taken[-1].id)).all()
        assert "same photo" in flags
        assert dangling(house) == []
    finally:
        house.close()
    assert CliRunner().invoke(check, options).exit_code == 0


def _year(house: House) -> str:
    with house.session(writes=False) as session:
        return str(session.scalars(select(ReturnRow.number)).first())[:2]
