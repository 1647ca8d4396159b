"""Parcels, the table for accounts, regrading; rules of the desk. The scenario is of our own invention."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy.exc import OperationalError

from wearvision.errors import InputError
from wearvision_api.returns import bulk, deciding, evidence, lists, otherwise, regrading
from wearvision_api.returns.accounts_export import COLUMNS, csv_lines
from wearvision_api.returns.parcels import TABLE, Archive, Folder, rows_of
from wearvision_api.store.return_tables import ReturnRow

from .conftest import Desk

HEAD = "part,lot,machine,value_minor,currency,claimant,photos\n"


def _folder(tmp_path: Path, samples: Path, table: str) -> Path:
    folder = tmp_path / "parcel"
    folder.mkdir()
    (folder / TABLE).write_text(table, "utf-8-sig")
    for name in ("coupler-end-replace-1.jpg", "coupler-side-serviceable-1.jpg"):
        (folder / name).write_bytes((samples / name).read_bytes())
    return folder


def _zipped(folder: Path, prefix: str = "") -> io.BytesIO:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for path in folder.iterdir():
            archive.write(path, prefix + path.name)
    out.seek(0)
    return out


def test_a_parcel_is_taken_in_once_however_it_is_packed(desk: Desk, tmp_path: Path) -> None:
    photos = "end-blower=coupler-end-replace-1.jpg; side-1=coupler-side-serviceable-1.jpg"
    table = f"{HEAD}coupler,2611,KH-13,1980,EUR,yard,{photos}\n"
    table += "coupler,2611,KH-14,12.5,EUR,yard,\n"  # no whole minor unit
    table += "coupler,2611,KH-15,,,yard,end-blower=../secret.jpg\n"
    table += "flame_cell,2604,KH-16,,,yard,nowhere=coupler-end-replace-1.jpg\n"
    folder = _folder(tmp_path, desk.samples, table)
    (tmp_path / "secret.jpg").write_bytes((desk.samples / "coupler-end-replace-1.jpg").read_bytes())
    first = list(bulk.take_in(desk.house, desk.ada, Folder(folder)))
    assert [bool(one.number) for one in first] == [True, False, False, False]
    assert "value_minor" in first[1].fault
    assert "secret" in first[2].fault
    assert "no view 'nowhere'" in first[3].fault
    for again in (Folder(folder), Archive(_zipped(folder)), Archive(_zipped(folder, "parcel/"))):
        second = list(bulk.take_in(desk.house, desk.ada, again))
        assert (second[0].number, second[0].is_new) == (first[0].number, False)
    graded = desk.read(first[0].id, lambda row: (row.grade_id is not None, [one.view for one in row.photos], row.doubt))
    assert graded[:2] == (True, ["end-blower", "side-1"])
    assert 0 <= graded[2] <= 1
    with desk.house.session(writes=False) as session:
        assert session.query(ReturnRow).count() == 1


def test_an_unforeseen_error_ends_one_row_not_the_parcel(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = _folder(tmp_path, desk.samples, "part,lot\ncoupler,a\ncoupler,b\ncoupler,c\ncoupler,d\n")
    unlucky = iter([RuntimeError("no such thing"), OperationalError("insert", {}, Exception("server closed"))])
    opened = bulk.intake.open_return

    def open_return(session: Any, who: Any, said: Any, record_id: str) -> ReturnRow:
        if said["lot"] in "bc":
            raise next(unlucky)
        return opened(session, who, said, record_id)

    with monkeypatch.context() as broken:
        broken.setattr(bulk.intake, "open_return", open_return)
        taken = list(bulk.take_in(desk.house, desk.ada, Folder(folder)))
    assert [bool(one.number) for one in taken] == [True, False, False, True]
    assert "service failed" in taken[1].fault
    assert "database does not answer" in taken[2].fault
    again = list(bulk.take_in(desk.house, desk.ada, Folder(folder)))
    assert [one.is_new for one in again] == [False, True, True, False]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("", "first line"),
        ("lot\nx\n", "first line"),
        ("part\ncoupler,more\n", "more cells"),
        ("part,photos\ncoupler,face\n", "view=file"),
        ('part\n"coupler\n', "line"),
    ],
)
def test_a_table_that_cannot_be_read_says_where(desk: Desk, tmp_path: Path, table: str, words: str) -> None:
    folder = _folder(tmp_path, desk.samples, table)
    with pytest.raises(InputError, match=words):
        list(rows_of(Folder(folder)))


def test_an_archive_cannot_blow_up_or_lead_outside(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(TABLE, "part\n" + "coupler\n")
        archive.writestr("bomb.jpg", bytes(50_000_000))
    parcel = Archive(out)
    with pytest.raises(InputError, match="more than 1000 bytes"):
        parcel.read("bomb.jpg", 1000)
    with pytest.raises(InputError, match="no file"):
        parcel.read("../../etc/passwd", 1000)
    with pytest.raises(InputError, match="no file"):
        Folder(tmp_path).read("/etc/passwd", 1000)


@settings(max_examples=300)
@given(st.binary(max_size=400))
def test_any_bytes_are_an_archive_or_told_to_be_none(data: bytes) -> None:
    try:
        list(rows_of(Archive(io.BytesIO(data))))
    except InputError:
        return


@settings(max_examples=300)
@given(st.binary(max_size=300))
def test_any_table_is_read_or_told_to_be_none(data: bytes) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(TABLE, data)
    try:
        rows = list(rows_of(Archive(out)))
    except InputError:
        return
    assert all(isinstance(row.line, int) for row in rows)


def test_accounts_get_what_was_decided_and_no_formula(desk: Desk) -> None:
    one = desk.ready(claimant='=HYPERLINK("x")')
    desk.act(one, lambda session, row: deciding.decide(desk.house, session, desk.ada, row, "accept", "As seen."))
    desk.act(one, lambda session, row: deciding.sign(session, desk.ben, row, agrees=True, reason="Yes."))
    desk.ready()  # not decided
    with desk.house.session(writes=False) as session:
        text = "".join(csv_lines(session, date(2000, 1, 1), date(2100, 1, 1)))
        none = "".join(csv_lines(session, date(2000, 1, 1), date(2000, 1, 2)))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 1
    assert (rows[0]["value"], rows[0]["currency"], rows[0]["outcome"]) == ("19.80", "EUR", "accept")
    assert (rows[0]["decided_by"], rows[0]["signed_by"]) == ("ada", "ben")
    assert rows[0]["claimant"].startswith("'=")
    assert none.count("\n") == 1


def test_regrading_shows_what_would_differ_and_changes_nothing(desk: Desk) -> None:
    one = desk.taken_in()
    desk.photo(one, "end-blower", "coupler-end-replace-1.jpg")
    with desk.house.session() as session:
        evidence.grade(desk.house, session, desk.ada, one)
        session.commit()
    before = desk.read(one, lambda row: (row.grade.report, row.version, row.grade_id))
    with desk.house.session(writes=False) as session:
        same = list(regrading.regrade(desk.house, session, [one], desk.house.grader))
        lenient = "\n".join(
            f"[coupler.{row.measure}]\nserviceable_below = 90.0\n"
            + ("clean_from = 95.0\n" if row.clean_from is not None else "replace_from = 99.0\n")
            for row in desk.house.grader.limits.of_part("coupler")
        )
        other = otherwise.grader_of(desk.house, "", lenient)
        would = list(regrading.regrade(desk.house, session, [one], other))
    assert same[0].changes == ()
    assert would[0].after is not None
    assert would[0].after.possible == ("serviceable",)
    assert "possible" in would[0].changes
    assert desk.read(one, lambda row: (row.grade.report, row.version, row.grade_id)) == before


def test_models_are_chosen_by_name_never_by_path(desk: Desk) -> None:
    with pytest.raises(InputError, match="no model"):
        otherwise.grader_of(desk.house, "/etc", "")
    with pytest.raises(InputError, match="not valid TOML"):
        otherwise.grader_of(desk.house, "", "[[")
    with pytest.raises(InputError, match="no such part"):
        otherwise.grader_of(desk.house, "", "[muffler.x]\ny = 1")


def test_the_working_list_filters_and_orders(desk: Desk) -> None:
    cheap = desk.taken_in(value_minor=100, lot="a%b")
    dear = desk.taken_in(value_minor=9000, part="flame_cell")
    waits = desk.ready(value_minor=500)
    desk.act(waits, lambda session, row: deciding.decide(desk.house, session, desk.ada, row, "accept", "As seen."))

    def ids(filters: lists.Filters, who: object = desk.ada) -> list[str]:
        with desk.house.session(writes=False) as session:
            return [row.id for row in lists.listed(session, filters, who)[0]]  # type: ignore[arg-type]

    assert ids(lists.Filters()) == [cheap, dear, waits]
    assert ids(lists.Filters(order="value")) == [dear, waits, cheap]
    assert ids(lists.Filters(part="flame_cell")) == [dear]
    assert ids(lists.Filters(text="A%B")) == [cheap]  # a percent sign is no wildcard
    assert ids(lists.Filters(value_from=500)) == [dear, waits]
    assert ids(lists.Filters(state="mine")) == [cheap, dear]
    assert ids(lists.Filters(state="mine"), desk.ben) == [cheap, dear, waits]
    assert ids(lists.Filters(days_from=1)) == []
    with desk.house.session() as session:
        number = session.get(ReturnRow, dear).number  # type: ignore[union-attr]
        assert lists.jump(session, number.replace("-", "")).id == dear  # type: ignore[union-attr]
        lists.save(session, desk.ada, "dear ones", lists.Filters(value_from=500))
        lists.save(session, desk.ada, "dear ones", lists.Filters(value_from=600))
        session.commit()
        kept = lists.saved(session, desk.ada)
        assert [lists.filters_of(row.query) for row in kept] == [lists.Filters(value_from=600)]
        assert not lists.saved(session, desk.ben)
