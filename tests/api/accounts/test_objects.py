"""Every route that takes an id, asked for another person's record: the same answer as for an id that nobody has.

The table of what is private is this project's own; that existence must not show is OWASP's rule for object-level rights
(API Security Top 10, API1). Ids are UUIDs of version 4 (RFC 9562, 5.4): 122 random bits.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select

from wearvision_api.store.tables import Account, new_id
from wearvision_api.store.teaching_tables import SittingRow

from .people import Browser
from .test_desk_forms import everything
from .test_roles import NO_ID, address, routes_of

LogIn = Callable[..., Browser]
PRIVATE = {"photo_id", "grade_id", "walk_id", "token_id", "sitting_id"}
"""Of a technician alone, until an inspection or a machine takes it in."""
SHARED = {
    "machine_id": "the yard's",
    "inspection_id": "the yard's",
    "line_id": "of an inspection",
    "return_id": "the desk's, which a technician does not enter",
    "evidence_id": "of a return",
    "flag_id": "of a return",
    "fitted_id": "the desk's",
    "list_id": "one's own; tests in test_desk_forms.py",
    "account_id": "an administrator's",
    "example_id": "a trainer's; what is blind is told in teaching/shown.py",
    "set_id": "a trainer's",
    "model_id": "a trainer's",
    "training_id": "a trainer's",
}
"""What belongs to a role as a whole, and why."""
NO_RECORD = {"part", "number", "place", "start", "measure", "step"}
"""Names and places in a list."""
BODIES: dict[str, dict[str, Any]] = {
    "PUT /api/v1/grades/{grade_id}/override": {"json": {"grade": "replace", "reason": "Seen by hand."}},
    "PUT /api/v1/grades/{grade_id}/outcome": {"json": {"done": "replaced"}},
    "PUT /api/v1/grades/{grade_id}/wiping": {"json": {"after": NO_ID}},
    "POST /api/v1/grades/{grade_id}/readings": {"json": {"check": "cell-lit", "value": 2400, "unit": "ohm"}},
    "POST /api/v1/grades/{grade_id}/permission/withdrawal": {"json": {"reason": "Not mine to give."}},
    "POST /grades/{grade_id}/again": {"data": {"part": "flame_cell"}},
    "POST /grades/{grade_id}/override": {"data": {"grade": "replace", "reason": "Seen by hand."}},
    "POST /grades/{grade_id}/outcome": {"data": {"done": "replaced"}},
    "POST /grades/{grade_id}/readings": {"data": {"check": "cell-lit", "value": "2400"}},
    "POST /grades/{grade_id}/permission/withdrawal": {"data": {"reason": "Not mine to give."}},
    "POST /api/v1/practice/{sitting_id}/{place}": {"json": {"part": "coupler", "grade": "replace", "mode": "none"}},
    "POST /teaching/practice/{sitting_id}/{place}": {"data": {"part": "coupler", "grade": "replace", "mode": "none"}},
    "POST /grades/{grade_id}/photos": {"files": {"file": b"x"}},
    "POST /grades/{grade_id}/wiping": {"files": {"file": b"x"}},
}
"""Where an empty body would be refused before the record is looked for."""


@pytest.fixture
def owned(browser: LogIn, opened: FastAPI, sample: Path) -> dict[str, str]:
    """One technician's records, by the name that routes give their ids."""
    http = browser("technician").http
    photo = http.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
    grade = http.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"}).json()["id"]
    steps = [{"check": "chamber", "answer": "dry"}]
    walk = http.post("/api/v1/walks", json={"start": "dead", "steps": steps})
    assert walk.status_code == 201, walk.text
    token = http.post("/api/v1/tokens", json={"name": "x", "scopes": ["photos:read"]}).json()["id"]
    with opened.state.house.session() as session:
        owner = session.scalar(select(Account.id).where(Account.name == "technician"))
        sitting = SittingRow(id=new_id(), owner_id=owner, part=None, asked=[])
        session.add(sitting)
        session.commit()
        return {"photo_id": photo, "grade_id": grade, "walk_id": walk.json()["id"], "token_id": token} | {
            "sitting_id": sitting.id
        }


def parameters(name: str) -> list[str]:
    return re.findall(r"\{(\w+)\}", name)


def ask(http: TestClient, name: str, ids: dict[str, str]) -> tuple[int, str]:
    """Status and body; ids are left out of the body, since each request's own stands there."""
    method, path = name.split(" ", 1)
    for one, value in ids.items():
        path = path.replace(f"{{{one}}}", value)
    sends = BODIES.get(name, {} if method in ("GET", "DELETE") else {"json": {}})
    answer = http.request(method, address(f"{method} {path}"), follow_redirects=False, **sends)
    return answer.status_code, re.sub("|".join([NO_ID, *ids.values()]), "ID", answer.text)


def test_every_id_is_private_or_said_to_be_shared(opened: FastAPI) -> None:
    """A new route with an id has to say to whom its records belong."""
    for name in routes_of(opened):
        for one in parameters(name):
            assert (one in PRIVATE) + (one in SHARED) + (one in NO_RECORD) == 1, f"{name}: whose is {one}?"


def test_record_of_another_is_answered_as_one_that_is_not_there(
    opened: FastAPI, browser: LogIn, owned: dict[str, str], subtests: pytest.Subtests
) -> None:
    other, mine = browser("technician-2").http, browser("technician").http
    before = everything(opened)
    walked = 0
    for name in routes_of(opened):
        if PRIVATE & set(parameters(name)):
            walked += 1
            with subtests.test(name):
                status, said = ask(other, name, owned)
                assert (status, said) == ask(other, name, dict.fromkeys(owned, str(uuid.uuid4())))
                assert status in {404, 403}, said
                if name.startswith("GET ") and "{place}" not in name:
                    assert ask(mine, name, owned)[0] == 200
    assert walked > 30
    assert everything(opened) == before


def test_lists_hold_nothing_of_another(browser: LogIn, owned: dict[str, str], opened: FastAPI) -> None:
    """Every page and list without an id, as another technician reads it; searched for each id of the first."""
    other = browser("technician-2").http
    read = 0
    for name in routes_of(opened):
        if name.startswith("GET ") and not parameters(name) and "/metrics" not in name:
            answer = other.get(name.split(" ", 1)[1], follow_redirects=False)
            read += answer.status_code == 200
            assert [one for one, value in owned.items() if value in answer.text] == [], name
    assert read > 20


def test_record_of_another_cannot_be_named_in_a_body(
    browser: LogIn, owned: dict[str, str], sample: Path, opened: FastAPI
) -> None:
    other = browser("technician-2").http
    photo = other.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
    grade = other.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"}).json()["id"]
    machine = other.post("/api/v1/machines", json={"identifier": "H-1"}).json()["id"]
    theirs, nobodys = owned["photo_id"], str(uuid.uuid4())
    asks: list[Callable[[str], Any]] = [
        lambda one: other.post("/api/v1/grades", json={"photos": [one]}),
        lambda one: other.post("/api/v1/grades", json={"photos": [photo, one]}),
        lambda one: other.post("/api/v1/grades", json={"photos": [photo], "reference": one}),
        lambda one: other.put(f"/api/v1/grades/{grade}/wiping", json={"after": one}),
        lambda one: other.put(f"/api/v1/machines/{machine}/references/flame_cell", json={"photo": one}),
    ]
    for number, one in enumerate(asks):
        told, nothing = one(theirs), one(nobodys)
        assert told.status_code == nothing.status_code == 404, (number, told.text)
        assert told.text.replace(theirs, "ID") == nothing.text.replace(nobodys, "ID")


def test_same_photo_of_two_is_two_records_and_tells_neither_of_the_other(
    browser: LogIn, sample: Path, opened: FastAPI
) -> None:
    """Bytes lie once in the store, under their hash: the answer must not show whether they were there before."""
    mine, other = browser("technician").http, browser("technician-2").http
    first, second = (http.post("/api/v1/photos", files={"file": sample.read_bytes()}) for http in (mine, other))
    assert (first.status_code, second.status_code) == (201, 201)
    assert set(first.json()) == set(second.json())
    assert first.json()["id"] != second.json()["id"]
    assert {name for name in first.headers if name != "content-length"} == set(second.headers) - {"content-length"}
    etag = mine.get(f"/api/v1/photos/{first.json()['id']}/content").headers["etag"]
    answer = other.get(f"/api/v1/photos/{first.json()['id']}/content", headers={"If-None-Match": etag})
    assert (answer.status_code, "etag" in answer.headers) == (404, False)


def ids(http: TestClient, sample: Path) -> Iterator[str]:
    photo = http.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
    yield photo
    yield http.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"}).json()["id"]
    yield http.post("/api/v1/machines", json={"identifier": "H-1"}).json()["id"]


def test_ids_cannot_be_guessed(browser: LogIn, sample: Path) -> None:
    """Version 4, made by the system's random source; a thousand share no more bits than chance gives."""
    for one in ids(browser("technician").http, sample):
        assert uuid.UUID(one).version == 4
    bits = [format(uuid.UUID(new_id()).int, "0128b") for _ in range(1000)]
    fixed = [place for place in range(128) if len({one[place] for one in bits}) == 1]
    assert len(fixed) == 6, "four of the version, two of the variant"
    share = [sum(one[place] == "1" for one in bits) / 1000 for place in range(128) if place not in fixed]
    assert all(0.4 < one < 0.6 for one in share)  # 6.3 standard deviations
