"""What somebody may send who means no good, or who orders steps so that a question is never asked."""

from __future__ import annotations

import io
import json
import struct
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from wearvision.capture import read_capture
from wearvision.errors import InputError, WearvisionError
from wearvision_api.honesty.dates import ask_dates
from wearvision_api.returns import bulk, evidence, intake, otherwise
from wearvision_api.returns.accounts_export import csv_lines
from wearvision_api.returns.parcels import MOST_PHOTOS, MOST_ROWS, TABLE, Archive, Folder
from wearvision_api.store.return_tables import ReturnRow

from .conftest import Desk

DEEP = "a = " + "[" * 30_000


def archive(method: int = zipfile.ZIP_DEFLATED, **files: bytes) -> io.BytesIO:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as made:
        for name, data in files.items():
            made.writestr(name.replace("_csv", ".csv"), data)
    out.seek(0)
    return out


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_method_that_unpacks_all_at_once_is_refused(method: int) -> None:
    """Python's ``zipfile`` bounds what one read unpacks for deflate only."""
    parcel = Archive(archive(method, returns_csv=b"part\n", bomb=bytes(1_000_000)))
    with pytest.raises(InputError, match="packed unusually"):
        parcel.read("bomb", 100)


def test_damaged_deflate_is_told() -> None:
    data = bytearray(archive(returns_csv=b"part\ncoupler\n" * 50).getvalue())
    start = 30 + struct.unpack_from("<H", data, 26)[0]
    data[start : start + 8] = b"\xff" * 8
    with pytest.raises(InputError, match="cannot be unpacked"):
        Archive(io.BytesIO(bytes(data))).read(TABLE, 10_000)


def test_names_with_nul_links_and_folders_are_no_files(tmp_path: Path) -> None:
    secret = tmp_path / "secret.jpg"
    secret.write_bytes(b"x")
    folder = tmp_path / "parcel"
    folder.mkdir()
    (folder / "link.jpg").symlink_to(secret)
    (folder / "inside").mkdir()
    for name in ("a\0b", "link.jpg", "inside", "", ".", "../secret.jpg", str(secret)):
        with pytest.raises(InputError, match="no file"):
            Folder(folder).read(name, 100)
    for name in ("a\0b", "", "../x", "/etc/passwd"):
        with pytest.raises(InputError, match="no file"):
            Archive(archive(returns_csv=b"part\n")).read(name, 100)


def test_a_table_that_is_too_long_or_bad_at_its_end_takes_nothing(desk: Desk) -> None:
    tables = (
        b"part\n" + b"coupler\n" * (MOST_ROWS + 1),
        b"part,lot\ncoupler,1\ncoupler,1,2,3\n",
        b"part,photos\ncoupler,\ncoupler," + b";".join([b"face=a.jpg"] * (MOST_PHOTOS + 1)) + b"\n",
    )
    for table in tables:
        with pytest.raises(InputError):
            list(bulk.take_in(desk.house, desk.ada, Archive(archive(returns_csv=table))))
    with desk.house.session(writes=False) as session:
        assert session.query(ReturnRow).count() == 0


def test_tables_nested_beyond_reason_are_no_tables(desk: Desk) -> None:
    with pytest.raises(InputError, match="not valid TOML"):
        otherwise.grader_of(desk.house, "", DEEP)
    with pytest.raises(WearvisionError, match="not valid TOML"):
        otherwise.policy_of(DEEP)


def test_accounts_may_ask_for_all_days_there_are(desk: Desk) -> None:
    with desk.house.session(writes=False) as session:
        assert len(list(csv_lines(session, date.min, date.max))) == 1


def test_dates_and_serial_number_entered_after_the_photos_are_asked_about(desk: Desk) -> None:
    """Photos first, claim later: the same questions as the other way round, each asked once."""
    first = desk.taken_in(serial="S-1")
    claim = desk.taken_in(installed_on=None)
    photo = desk.samples / "coupler-end-replace-1.jpg"
    desk.act(
        claim,
        lambda s, row: evidence.add_photo(
            desk.house, s, desk.ada, row, evidence.shot_of(desk.house, dated(photo)), "end-pump"
        ),
    )
    assert not {"same serial", "taken before fitted"} & set(kinds(desk, claim))
    for said in ({"serial": "s-1 "}, {"installed_on": date(2026, 8, 1)}, {"kept_where": "Shelf 5"}):

        def change(session: Any, row: ReturnRow, said: Any = said) -> None:
            intake.change(session, desk.ada, row, said)
            evidence.ask_again(desk.house, session, desk.ada, row)

        desk.act(claim, change)
    assert [kinds(desk, claim).count(one) for one in ("same serial", "taken before fitted")] == [1, 1]
    again = desk.taken_in(serial="S-1")
    assert "same serial" in kinds(desk, again), "no photo at all, and asked all the same"
    assert "same serial" not in kinds(desk, first)


def kinds(desk: Desk, claim: str) -> list[str]:
    return desk.read(claim, lambda row: [one.kind for one in row.flags])  # type: ignore[no-any-return]


def dated(photo: Path, when: str = "2026:07:01 10:00:00", offset: str = "") -> bytes:
    """The photo with a capture time."""
    out = io.BytesIO()
    with Image.open(photo) as image:
        data = image.getexif()
        data.get_ifd(0x8769)[0x9003] = when
        if offset:
            data.get_ifd(0x8769)[0x9011] = offset
        image.save(out, "JPEG", exif=data)
    return out.getvalue()


HOSTILE = (
    "<script>alert(1)</script>",
    "'\"><img src=x onerror=alert(1)>",
    "{{ 7*7 }} {% raw %}",
    "\u202eright to left\u202c",
    "=HYPERLINK(1)",
    "\U0001f525" * 30,
    "&amp;<b>&#0;",
    "\ufffe\uffff\u0085\u2028",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_every_field_stays_text_everywhere(client: TestClient, text: str) -> None:
    short = text[:60]
    fields = dict.fromkeys(("part_number", "lot", "serial", "machine", "claimant", "kept_where"), short)
    made = client.post("/api/v1/returns", json={"part": "coupler", "story": text * 20, **fields})
    assert made.status_code == 201, made.text
    place = f"/returns/{made.json()['id']}"
    for item in [one["key"] for one in made.json()["missing"]]:
        said = client.post(f"/api/v1{place}/waivers", json={"item": item, "reason": text + " as said"})
        assert said.status_code == 201, said.text
    decided = client.post(f"/api/v1{place}/decisions", json={"outcome": "decline", "reason": text + " as said"})
    assert decided.status_code == 201, decided.text
    for address in (place, "/returns", "/returns?q=" + "x"):
        page = client.get(address)
        assert page.status_code == 200
        for bad in ("<script>alert", "<img src=x", "49 "):
            assert bad not in page.text.replace("2049 ", "")
    for paper in ("sheet.pdf", "letter.pdf", "letter.txt"):
        assert client.get(f"/api/v1{place}/{paper}").status_code == 200
    assert client.get("/api/v1/record", params={"subject": made.json()["id"]}).status_code == 200


@pytest.mark.parametrize("field", ["story", "claimant", "machine", "serial"])
@pytest.mark.parametrize("text", ["a\0b", "\ud800", "x" * 5000])
def test_text_that_no_table_holds_is_refused(client: TestClient, field: str, text: str) -> None:
    body = json.dumps({"part": "coupler", field: text})
    answer = client.post("/api/v1/returns", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422, answer.text


def test_dates_from_the_ends_of_the_calendar_break_no_page(client: TestClient) -> None:
    """A typing error such as the year 0026 or "for ever" as 9999 must not close the desk."""
    days = {"installed_on": "0001-01-01", "failed_on": "0001-01-01", "returned_on": "0026-03-02"}
    early = client.post("/api/v1/returns", json={"part": "coupler", "kept_where": "x", "lot": "L"} | days)
    late = client.post(
        "/api/v1/returns",
        json={
            "part": "coupler",
            "kept_where": "x",
            "lot": "L",
            "installed_on": "0001-01-01",
            "returned_on": "9999-12-31",
            "kept_until": "9999-12-31",
            "hours_installed": 0,
            "hours_failed": 1e6,
        },
    )
    assert (early.status_code, late.status_code) == (201, 201), early.text + late.text
    stop = client.post("/api/v1/returns", json={"part": "coupler", "kept_where": "x", "kept_until": "9999-12-31"})
    assert stop.status_code == 201, stop.text
    addresses = ["/returns/new", "/returns", "/returns/many", "/figures", "/figures?part=coupler", "/api/v1/worklist"]
    for one in (early, late):
        place = f"/returns/{one.json()['id']}"
        for item in [wanted["key"] for wanted in one.json()["missing"]]:
            client.post(f"/api/v1{place}/waivers", json={"item": item, "reason": "Not to be had."})
        decided = client.post(f"/api/v1{place}/decisions", json={"outcome": "accept", "reason": "As seen."})
        assert decided.status_code == 201, decided.text
        addresses += [place, f"/api/v1{place}/proposal", f"/api/v1{place}/sheet.pdf", f"/api/v1{place}/letter.pdf"]
    answers = {address: client.get(address).status_code for address in addresses}
    assert answers == dict.fromkeys(addresses, 200)


@pytest.mark.parametrize(
    "when", ["0001:01:01 00:00:00", "9999:12:31 23:59:59", "2026:13:45 99:99:99", "0000:00:00 00:00:00", "x" * 500]
)
@pytest.mark.parametrize("offset", ["", "+14:00", "-14:00", "+99:99", "nonsense"])
def test_absurd_capture_times_are_no_errors(samples: Path, when: str, offset: str) -> None:
    data = dated(samples / "coupler-end-replace-1.jpg", when, offset)
    asked = ask_dates(
        read_capture(data),
        received=datetime(2026, 9, 17, tzinfo=UTC),
        installed_on=date(2026, 7, 20),
        returned_on=date(2026, 9, 17),
        shows_part=True,
        at_the_desk=False,
    )
    assert asked
