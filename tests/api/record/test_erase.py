"""A photo erased on a lawful request: what goes, what stays, what stands for it, and who is held up by it."""

from __future__ import annotations

import io
import json
import os
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy.orm import Session

from wearvision_api.app import create_app
from wearvision_api.house import House
from wearvision_api.record import tombstones
from wearvision_api.record.erase import IDLE_S, remove_bytes
from wearvision_api.record.ledger import append, lines
from wearvision_api.record.verify import verify
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.record_tables import Tombstone
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow
from wearvision_api.store.tables import new_id
from wearvision_api.upkeep.backup import backup, restore
from wearvision_api.upkeep.sweep import sweep

REASON = {"reason": "Asked for by letter of 1 March."}


@dataclass
class Desk:
    """A service with a photo, its grade, and a return that shows it."""

    client: TestClient
    photo: dict[str, Any]
    grade: str
    claim: str
    shown: str

    @property
    def house(self) -> House:
        house: House = self.client.app.state.house  # type: ignore[attr-defined]
        return house

    @property
    def address(self) -> str:
        return f"/api/v1/photos/{self.photo['id']}"

    def settle(self, state: str = "decided") -> None:
        with self.house.session() as session:
            session.get_one(ReturnRow, self.claim).state = state
            session.commit()

    def erase(self) -> Any:
        return self.client.post(f"{self.address}/erasure", json=REASON)

    def age(self) -> None:
        """Makes all bytes look as if they had been sent a while ago."""
        for path in Path(self.house.blobs.root).glob("??/*"):
            os.utime(path, (0, path.stat().st_mtime - IDLE_S - 1))


def opened(session: Session, number: str, photo: dict[str, Any], state: str) -> tuple[str, str]:
    """A return with one photo, as the desk records it."""
    claim, shown = new_id(), new_id()
    owner = "00000000-0000-4000-8000-000000000001"
    session.add(
        ReturnRow(id=claim, owner_id=owner, number=number, part="flame_cell", returned_on=date(2026, 3, 2), state=state)
    )
    session.flush()
    session.add(
        ReturnPhoto(
            id=shown, owner_id=owner, return_id=claim, photo_id=photo["id"], sha256=photo["sha256"], view="face"
        )
    )
    append(session, "anna", "added", "return", claim, after={"view": "face"}, photos=[photo["sha256"]])
    return claim, shown


@pytest.fixture
def desk(client: TestClient, sample: Path) -> Desk:
    photo = client.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()
    grade = client.post("/api/v1/grades", json={"photos": [photo["id"]]}).json()
    house: House = client.app.state.house  # type: ignore[attr-defined]
    with house.session() as session:
        claim, shown = opened(session, "26-00042-31", photo, "gathering")
        session.commit()
    made = Desk(client, photo, grade["id"], claim, shown)
    made.age()
    return made


def checked(desk: Desk) -> tuple[str, str]:
    """What ``verify --photos`` finds: the broken link, and the tombstone at fault."""
    house = desk.house
    with house.session(writes=False) as session:
        seen = tombstones.photo_check(lambda: house.session(writes=False), house.blobs)  # type: ignore[arg-type, return-value]
        broken = verify(lines(session), photo=seen).broken
        return (broken.reason if broken else ""), tombstones.fallen(session)


@pytest.mark.on_both
def test_erased_photo_is_gone_and_history_stays_readable(desk: Desk) -> None:
    desk.settle()
    answer = desk.erase()
    assert answer.status_code == 201, answer.text
    stone = answer.json()
    assert (stone["photo"], stone["sha256"], stone["by"]) == (desk.photo["id"], desk.photo["sha256"], "this machine")
    assert desk.house.blobs.names() == [], "the photo and both pictures of the judged square"
    for address in (f"{desk.address}/content", f"/api/v1/grades/{desk.grade}/pictures/0"):
        gone = desk.client.get(address)
        assert (gone.status_code, gone.json()["code"]) == (410, "gone")
        assert stone["at"][:10] in gone.json()["detail"]
    record = desk.client.get(desk.address).json()
    assert record["erased_at"][:19] == stone["at"][:19]
    assert record["taken_at"] is None
    grade = desk.client.get(f"/api/v1/grades/{desk.grade}").json()
    assert (grade["photos"], grade["pictures"]) == ([desk.photo["id"]], 1)
    page = desk.client.get(f"/grades/{desk.grade}")
    assert page.status_code == 200
    assert "A photo was erased on" in page.text
    assert "/pictures/0" not in page.text
    with desk.house.session(writes=False) as session:
        kept = session.get_one(ReturnPhoto, desk.shown)
        assert (kept.photo_id, kept.sha256) == (None, desk.photo["sha256"])
    told = desk.client.get("/api/v1/record", params={"subject": desk.photo["id"]}).json()["items"]
    assert [(one["what"], one["after"]["reason"]) for one in told] == [("erased", REASON["reason"])]
    assert told[0]["before"]["returns"] == [desk.claim]
    assert told[0]["before"]["grades"] == [desk.grade]
    assert checked(desk) == ("", "")


def test_picture_of_the_right_photo_goes_where_one_file_was_graded_twice(desk: Desk, samples: Path) -> None:
    """The grader makes one picture for each file, however many records of it were sent."""
    other = sorted(samples.glob("flame_cell*.jpg"))[-1].read_bytes()
    files = [Path(desk.house.blobs.root).joinpath(desk.photo["sha256"][:2], desk.photo["sha256"]).read_bytes(), other]
    sent = [desk.client.post("/api/v1/photos", files={"file": files[n]}).json()["id"] for n in (0, 0, 1)]
    grade = desk.client.post("/api/v1/grades", json={"photos": sent}).json()
    place = f"/api/v1/grades/{grade['id']}/pictures"
    assert grade["pictures"] == 2
    assert desk.client.post(f"/api/v1/photos/{sent[2]}/erasure", json=REASON).status_code == 201
    assert [desk.client.get(f"{place}/{number}").status_code for number in (0, 1)] == [200, 410]
    for photo in sent[:2]:  # the second record of a file whose picture is gone already
        assert desk.client.post(f"/api/v1/photos/{photo}/erasure", json=REASON).status_code == 201
    assert [desk.client.get(f"{place}/{number}").status_code for number in (0, 1)] == [410, 410]
    assert checked(desk) == ("", "")


@pytest.mark.on_both
@pytest.mark.parametrize("state", ["gathering", "second person", "objected"])
def test_photo_of_an_open_return_is_held(desk: Desk, state: str) -> None:
    desk.settle(state)
    answer = desk.erase()
    assert (answer.status_code, answer.json()["code"]) == (409, "conflict")
    assert "26-00042-31" in answer.json()["detail"]
    assert desk.client.get(f"{desk.address}/content").status_code == 200
    assert desk.client.get("/api/v1/record", params={"subject": desk.photo["id"]}).json()["items"] == []


def test_photo_shown_beside_one_of_an_open_return_is_held(desk: Desk, small: bytes) -> None:
    """A recycled photo is evidence in the other return, too."""
    desk.settle()
    other = desk.client.post("/api/v1/photos", files={"file": small}).json()
    with desk.house.session() as session:
        claim, _ = opened(session, "26-00043-28", other, "gathering")
        session.add(Flag(id=new_id(), return_id=claim, kind="same photo", other_photo_id=desk.shown, reason="same"))
        session.commit()
    assert desk.erase().status_code == 409


def test_grade_of_an_open_return_holds_its_photos(desk: Desk) -> None:
    desk.settle()
    with desk.house.session() as session:
        session.add(
            ReturnRow(
                owner_id="00000000-0000-4000-8000-000000000001",
                number="26-00044-25",
                part="flame_cell",
                returned_on=date(2026, 3, 2),
                grade_id=desk.grade,
            )
        )
        session.commit()
    assert "26-00044-25" in desk.erase().json()["detail"]


def test_second_erasure_unknown_photo_and_missing_reason_are_refused(desk: Desk) -> None:
    desk.settle()
    assert desk.client.post(f"{desk.address}/erasure", json={"reason": " "}).status_code == 422
    assert desk.client.post(f"/api/v1/photos/{new_id()}/erasure", json=REASON).status_code == 404
    first = desk.client.post(f"{desk.address}/erasure", json=REASON, headers={"Idempotency-Key": "once"})
    again = desk.client.post(f"{desk.address}/erasure", json=REASON, headers={"Idempotency-Key": "once"})
    assert (first.status_code, again.status_code, again.json()) == (201, 201, first.json())
    assert desk.erase().status_code == 410


def test_erased_photo_is_graded_no_more_nor_kept_as_installed(desk: Desk, small: bytes) -> None:
    machine = desk.client.post("/api/v1/machines", json={"identifier": "H-1", "hours": 10})
    place = f"/api/v1/machines/{machine.json()['id']}"
    match = {"If-Match": desk.client.get(place).headers["ETag"]}
    kept = desk.client.put(f"{place}/references/flame_cell", json={"photo": desk.photo["id"]}, headers=match)
    assert kept.status_code == 200, kept.text
    desk.settle()
    assert desk.erase().status_code == 201
    assert desk.client.get(place).json()["references"] == []
    assert desk.client.get(place).headers["ETag"] != kept.headers.get("ETag")
    match = {"If-Match": desk.client.get(place).headers["ETag"]}
    again = desk.client.put(f"{place}/references/flame_cell", json={"photo": desk.photo["id"]}, headers=match)
    assert again.status_code == 410
    assert desk.client.post("/api/v1/grades", json={"photos": [desk.photo["id"]]}).status_code == 410
    other = desk.client.post("/api/v1/photos", files={"file": small}).json()["id"]
    beside = desk.client.post("/api/v1/grades", json={"photos": [other], "reference": desk.photo["id"]})
    assert beside.status_code == 410


def test_bytes_stay_for_another_record_of_the_same_photo(desk: Desk, sample: Path) -> None:
    desk.settle()
    twin = desk.client.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()
    desk.client.post("/api/v1/grades", json={"photos": [twin["id"]]})
    desk.age()
    before = desk.house.blobs.names()
    assert len(before) == 3, "the same photo gives the same pictures"
    assert desk.erase().json()["also"] == [twin["id"]]
    assert desk.house.blobs.names() == before
    assert desk.client.get(f"/api/v1/photos/{twin['id']}/content").status_code == 200
    assert desk.client.post(f"/api/v1/photos/{twin['id']}/erasure", json=REASON).status_code == 201
    assert desk.house.blobs.names() == []
    assert checked(desk) == ("", "")


def test_bytes_sent_a_moment_ago_wait_and_then_go(desk: Desk, sample: Path) -> None:
    """Somebody may be about to record them; the daily work removes them a little later."""
    desk.settle()
    desk.house.blobs.put(sample.read_bytes())
    assert desk.erase().status_code == 201
    assert desk.house.blobs.names() == [desk.photo["sha256"]]
    assert desk.client.get(f"{desk.address}/content").status_code == 410
    with desk.house.session(writes=False) as session:
        assert remove_bytes(session, desk.house.blobs) == []
        desk.age()
        assert remove_bytes(session, desk.house.blobs) == [desk.photo["sha256"]]


def test_sweep_removes_what_an_erasure_left(desk: Desk, sample: Path) -> None:
    desk.settle()
    desk.house.blobs.put(sample.read_bytes())
    desk.erase()
    with desk.house.session(writes=False) as session:
        assert sweep(session, desk.house.blobs, idle_s=0).blobs == (desk.photo["sha256"],)


def test_backup_of_an_erased_photo_restores(desk: Desk, tmp_path: Path) -> None:
    desk.settle()
    desk.erase()
    settings = desk.house.settings
    backup(settings.database_url, settings.blob_url, tmp_path / "backup.tar")
    new = Settings(data=tmp_path / "new", workers=1)
    assert restore(tmp_path / "backup.tar", new.database_url, new.blob_url).photos == 0
    with TestClient(create_app(new), base_url="http://127.0.0.1") as client:
        assert client.get(f"{desk.address}/content").status_code == 410
        house: House = client.app.state.house  # type: ignore[attr-defined]
        with house.session(writes=False) as session:
            verdict = verify(lines(session))
            assert tombstones.fallen(session) == ""
    assert verdict.broken is None
    assert len(verdict.keys) == 2, "the key is no part of a backup; the new folder has made its own"
    assert len(verdict.notes) == 1


def test_nothing_is_removed_while_a_backup_reads(desk: Desk) -> None:
    desk.settle()
    with desk.house.blobs.kept():
        assert desk.erase().status_code == 201
        assert len(desk.house.blobs.names()) == 3
    with desk.house.session(writes=False) as session:
        assert len(remove_bytes(session, desk.house.blobs)) == 3


@pytest.mark.parametrize("column", ["sha256", "body", "public_key", "signature"])
def test_tombstone_with_any_changed_column_is_no_excuse(desk: Desk, column: str) -> None:
    desk.settle()
    desk.erase()
    with desk.house.session() as session:
        session.connection().exec_driver_sql("drop trigger tombstones_no_update")
        row = session.get_one(Tombstone, desk.photo["id"])
        was = getattr(row, column)
        for place in range(0, len(was), 7):
            setattr(row, column, was[:place] + chr(ord(was[place]) ^ 1) + was[place + 1 :])
            session.flush()
            assert tombstones.fallen(session) != "", place
            setattr(row, column, was)
            session.flush()
        assert tombstones.fallen(session) == ""


def test_lost_photo_and_lost_tombstone_are_told(desk: Desk, tmp_path: Path) -> None:
    desk.settle()
    path = Path(desk.house.blobs.root) / desk.photo["sha256"][:2] / desk.photo["sha256"]
    path.rename(tmp_path / "aside")
    assert "is gone, and nothing tells why" in checked(desk)[0]
    (tmp_path / "aside").rename(path)
    assert checked(desk) == ("", "")
    desk.erase()
    with desk.house.session() as session:
        session.connection().exec_driver_sql("drop trigger tombstones_no_delete")
        session.delete(session.get_one(Tombstone, desk.photo["id"]))
        session.commit()
    broken, fallen = checked(desk)
    assert "nothing tells why" in broken
    assert "tombstone of photo" in fallen


def test_stranger_cannot_forge_a_tombstone(desk: Desk, tmp_path: Path) -> None:
    from wearvision_api.record.keys import open_key

    said = tombstones.Said(desk.photo["id"], desk.photo["sha256"], (), "2026-03-02T00:00:00.000000Z", "x", "y")
    (Path(desk.house.blobs.root) / desk.photo["sha256"][:2] / desk.photo["sha256"]).unlink()
    with desk.house.session() as session:
        session.add(tombstones.inscribe(open_key(tmp_path / "stranger.pem"), said))
        session.commit()
    assert "not signed by a key of the record" in checked(desk)[0]


def test_object_store_is_erased_too(tmp_path: Path, small: bytes) -> None:
    """fsspec's memory file system stands for an object store."""
    blobs = Blobs("memory://burner-erasure")
    name = blobs.put(small)
    assert not blobs.discard(name, idle_s=60)
    assert blobs.discard(name, idle_s=-1)
    assert not blobs.discard(name, idle_s=-1)
    assert blobs.names() == []


def test_record_is_read_in_pages_and_checks_by_itself(desk: Desk) -> None:
    import hashlib

    desk.settle()
    desk.erase()
    after, seen = 0, []
    while True:
        page = desk.client.get("/api/v1/record", params={"after": after, "limit": 1}).json()
        seen += page["items"]
        if page["next"] is None:
            break
        after = page["next"]
    digest = bytes(32)
    for one in seen:
        assert one["previous"] == digest.hex()
        digest = hashlib.sha256(digest + one["entry"].encode()).digest()
        assert one["digest"] == digest.hex()
        assert json.loads(one["entry"])["who"] == one["who"]
    head = desk.client.get("/api/v1/record/head").json()
    assert (head["place"], head["digest"]) == (len(seen), digest.hex())


@pytest.fixture
def small() -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (96, 96), (90, 120, 60)).save(out, "PNG")
    return out.getvalue()


@pytest.fixture(autouse=True)
def _no_daily_work(monkeypatch: pytest.MonkeyPatch) -> None:
    """The thread would remove what these tests want to see wait."""
    monkeypatch.setattr("wearvision_api.record.daily.tick", lambda house: None)
