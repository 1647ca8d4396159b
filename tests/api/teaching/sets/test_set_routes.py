"""Routes and pages of data sets, as a person and a program meet them."""

from __future__ import annotations

import hashlib
import io
import json
import re
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import select

from wearvision.labels.folder import read_folder
from wearvision_api.app import create_app
from wearvision_api.settings import Settings
from wearvision_api.store.teaching_tables import DataSetRow, ExampleRow, Permission

FORM = {"Accept": "text/html"}


@pytest.fixture
def desk(settings: Settings, world: Any, new_picture: Callable[[int], bytes]) -> Iterator[Any]:
    """A served house with four settled examples of three machines."""
    with world.house.session() as session:
        for seed in range(4):
            world.example(session, new_picture(seed), machine=f"H-{seed // 2}")
        session.commit()
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        world.client = client
        yield world


def freeze(desk: Any, **more: Any) -> Any:
    return desk.client.post("/api/v1/sets", json={"name": "Spring", "note": "for a test"} | more)


def zipped(**files: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, data in files.items():
            archive.writestr(name.replace("__", "/").replace("_png", ".png").replace("_csv", ".csv"), data)
    return buffer.getvalue()


def test_set_is_frozen_read_and_downloaded_by_a_program(desk: Any, tmp_path: Path) -> None:
    answer = freeze(desk)
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["name"], made["by"], made["counts"]["photos"], made["models"]) == ("Spring", "this machine", 4, [])
    assert desk.client.get("/api/v1/sets").json()["items"] == [made]
    assert desk.client.get(f"/api/v1/sets/{made['id']}").json() == made
    raw = desk.client.get(f"/api/v1/sets/{made['id']}/manifest")
    assert hashlib.sha256(raw.content).hexdigest() == made["sha256"]
    assert raw.headers["ETag"] == f'"{made["sha256"]}"'
    archive = desk.client.get(f"/api/v1/sets/{made['id']}/folder.zip")
    assert archive.headers["content-type"] == "application/zip"
    with zipfile.ZipFile(io.BytesIO(archive.content)) as found:
        found.extractall(tmp_path / "out")
    assert {one.sha256 for one in read_folder(tmp_path / "out")} == {one["sha256"] for one in raw.json()["photos"]}
    assert list(desk.house.settings.data.glob(".export-*")) == []


def test_same_key_freezes_once_and_a_name_is_taken_once(desk: Any) -> None:
    key = {"Idempotency-Key": "k"}
    body = {"name": "Spring"}
    answers = [desk.client.post("/api/v1/sets", json=body, headers=key) for _ in range(2)]
    assert answers[0].json() == answers[1].json()
    again = freeze(desk)
    assert (again.status_code, again.json()["code"]) == (409, "conflict")


@pytest.mark.parametrize(
    "body",
    [
        {"name": ""},
        {"name": "../x"},
        {"name": "x", "parts": ["wheel"]},
        {"name": "x", "least": "perhaps"},
        {"name": "x", "until": "2026-03-02T09:30:00"},
        {"name": "x", "colour": "red"},
    ],
)
def test_what_makes_no_sense_is_refused(desk: Any, body: dict[str, Any]) -> None:
    assert desk.client.post("/api/v1/sets", json=body).status_code == 422


def test_part_in_two_groups_is_refused_with_its_examples(desk: Any, new_picture: Callable[[int], bytes]) -> None:
    with desk.house.session() as session:
        desk.example(session, new_picture(9), machine="H-0", group="other", split="test")
        session.commit()
    answer = freeze(desk)
    assert (answer.status_code, answer.json()["reason"]) == (409, "not_apart")
    assert all("H-0, example" in name for name in answer.json()["names"])


def test_erasure_answers_with_the_sets_and_models_that_saw_the_photo(desk: Any) -> None:
    made = freeze(desk).json()
    with desk.house.session() as session:
        desk.model(session, "site-1", "released", made["id"])
        row = session.scalars(select(ExampleRow)).first()
        session.commit()
    answer = desk.client.post(f"/api/v1/photos/{row.photo_id}/erasure", json={"reason": "asked for"})
    assert (answer.json()["sets"], answer.json()["models"]) == (["Spring"], ["site-1"])
    told = desk.client.get(f"/api/v1/sets/{made['id']}").json()
    assert told["left_out"] == [{"sha256": row.sha256, "why": "erased"}]
    assert told["models"] == ["site-1"]
    page = desk.client.get(f"/teaching/sets/{made['id']}", headers=FORM).text
    assert row.sha256[:16] in page
    assert "keep what they learned" in page
    assert "/teaching/models/site-1" in page


def test_labelled_folder_comes_in_as_a_set_or_as_examples(desk: Any, new_picture: Callable[[int], bytes]) -> None:
    table = b"file,machine,part,view,grade\n0.png,N-1,flame_cell,face,replace\n"
    data = zipped(examples_csv=table, photos__0_png=new_picture(50))
    send = {"data": {"ground": "handed on", "name": "Brought"}, "files": {"file": ("x.zip", data)}}
    made = desk.client.post("/api/v1/sets/folders", **send)
    assert made.status_code == 201, made.text
    assert (made.json()["set"]["name"], made.json()["taken"]) == ("Brought", None)
    send["data"]["as_examples"] = "true"
    taken = desk.client.post("/api/v1/sets/folders", **send).json()
    assert (taken["set"], taken["taken"]["new"], taken["taken"]["faults"]) == (None, 1, 0)
    bad = desk.client.post("/api/v1/sets/folders", data=send["data"], files={"file": ("x.zip", b"no zip")})
    assert (bad.status_code, bad.json()["code"]) == (422, "invalid")
    no_ground = desk.client.post("/api/v1/sets/folders", data={"ground": " "}, files=send["files"])
    assert no_ground.status_code == 422


def test_heap_of_photos_comes_in_as_examples(desk: Any, new_picture: Callable[[int], bytes]) -> None:
    data = zipped(A__1_png=new_picture(60), A__2_png=new_picture(61), B__torn_png=b"torn", top_png=new_picture(0))
    send = {
        "data": {"ground": "our own machines", "machine_from_folder_names": "true"},
        "files": {"file": ("x.zip", data)},
    }
    found = desk.client.post("/api/v1/heaps", **send)
    assert found.status_code == 201, found.text
    assert {name: found.json()[name] for name in ("new", "known", "faults")} == {"new": 2, "known": 1, "faults": 1}
    with desk.house.session(writes=False) as session:
        rows = session.scalars(select(ExampleRow).where(ExampleRow.source == "folder")).all()
        assert {one.machine for one in rows} == {"A"}
        assert {session.get_one(Permission, one.photo_id).basis for one in rows} == {"our own machines"}


def test_page_freezes_and_leads_to_the_set(desk: Any) -> None:
    page = desk.client.get("/teaching/sets", headers=FORM).text
    assert "4 settled examples have photo and permission" in page
    fresh = re.search(r'name="fresh" value="([^"]+)"', page).group(1)  # type: ignore[union-attr]
    form = {"name": "Spring", "least": "one", "parts": ["flame_cell"], "fresh": fresh}
    sent = [desk.client.post("/teaching/sets", data=form, headers=FORM, follow_redirects=False) for _ in range(2)]
    assert [one.status_code for one in sent] == [303, 303]
    assert sent[0].headers["location"] == sent[1].headers["location"]
    shown = desk.client.get(sent[0].headers["location"], headers=FORM)
    assert shown.status_code == 200
    assert "folder.zip" in shown.text
    assert "clean-and-reuse" in shown.text
    with desk.house.session(writes=False) as session:
        row = session.scalars(select(DataSetRow)).one()
    assert row.sha256 in shown.text
    assert "Spring" in desk.client.get("/teaching/sets", headers=FORM).text
    taken = desk.client.post("/teaching/sets", data={"name": "Spring", "least": "one"}, headers=FORM)
    assert (taken.status_code, "already" in taken.text) == (409, True)
    assert desk.client.post("/teaching/sets", data={"name": ""}, headers=FORM).status_code == 422


def test_page_takes_a_heap_and_a_folder_in_and_lists_faults(desk: Any, new_picture: Callable[[int], bytes]) -> None:
    examples = desk.client.get("/teaching/examples", headers=FORM).text
    assert 'action="/teaching/heaps"' in examples
    data = zipped(A__1_png=new_picture(60), B__torn_png=b"torn")
    page = desk.client.post(
        "/teaching/heaps", data={"ground": "own", "machines": "yes"}, files={"file": ("x.zip", data)}, headers=FORM
    )
    assert "1 new example; 0 were there already; 1 could not be taken in" in page.text
    assert "B/torn.png" in page.text
    table = b"file,machine,part,view,grade\n0.png,N-1,flame_cell,face,replace\n"
    send = {"files": {"file": ("x.zip", zipped(examples_csv=table, photos__0_png=new_picture(50)))}, "headers": FORM}
    as_set = desk.client.post(
        "/teaching/sets/folders", data={"ground": "own", "name": "Brought"}, follow_redirects=False, **send
    )
    assert as_set.headers["location"].startswith("/teaching/sets/")
    as_examples = desk.client.post("/teaching/sets/folders", data={"ground": "own", "kind": "examples"}, **send)
    assert "1 new example" in as_examples.text
    bad = desk.client.post("/teaching/heaps", data={"ground": "own"}, files={"file": ("x.zip", b"none")}, headers=FORM)
    assert (bad.status_code, "no zip archive" in bad.text) == (422, True)


def test_empty_house_says_what_a_set_is_for(client: TestClient) -> None:
    page = client.get("/teaching/sets", headers=FORM).text
    assert "None yet." in page
    assert "Label some" in page
    assert 'action="/teaching/sets"' not in page
    for address in ("", "/manifest", "/folder.zip"):
        missing = client.get(f"/api/v1/sets/3f1f4a3e-95ab-4c5e-8f2f-6f6bde5a2b10{address}")
        assert (missing.status_code, json.loads(missing.content)["code"]) == (404, "not-found")
