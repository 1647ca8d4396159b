"""Forms of the returns desk sent by another site, and addresses with ids that belong elsewhere: nothing happens.

Expected: RFC 9110 section 15.5 for the status; that nothing was changed is read from the tables themselves.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select

from wearvision_api.store.tables import Base

from .people import Browser
from .test_roles import address, routes_of

END = "coupler-end-replace-1.jpg"
NOT_OURS = {"logins"}
"""Tables that a request changes by itself."""


def everything(app: FastAPI) -> dict[str, list[Any]]:
    """All rows of all tables."""
    with app.state.house.session(writes=False) as session:
        return {
            table.name: [tuple(row) for row in session.execute(select(table).order_by(*table.primary_key.columns))]
            for table in Base.metadata.sorted_tables
            if table.name not in NOT_OURS
        }


@pytest.mark.parametrize("token", ["", "0" * 64, "of another log-in", "é"])
def test_forms_without_their_own_token_are_refused(
    opened: FastAPI, browser: Callable[[str], Browser], token: str, subtests: pytest.Subtests
) -> None:
    mine = browser("counter")
    if token == "of another log-in":
        token = browser("counter").csrf
    del mine.http.headers["X-CSRF"]
    place = mine.http.post("/api/v1/returns", json={"part": "coupler"}, headers={"X-CSRF": mine.csrf}).json()["id"]
    forms = [name for name in routes_of(opened) if re.match(r"POST /(returns|figures)", name)]
    assert len(forms) >= 17, forms
    before = everything(opened)
    for name in forms:
        path = address(name.replace("{return_id}", place))
        fields = {"csrf": token} if token else {}
        for sends in (
            {"data": fields | {"part": "coupler", "name": "x", "reason": "As seen."}},
            {"data": fields, "files": {"file": b"x"}},
        ):
            with subtests.test(name, sends=sorted(sends)):
                answer = mine.http.post(path, **sends)  # type: ignore[arg-type]
                assert answer.status_code == 403, answer.text
                assert "form" in answer.text
    assert everything(opened) == before


def test_ids_of_other_returns_and_people_are_unknown_here(
    opened: FastAPI, browser: Callable[[str], Browser], samples: Path
) -> None:
    http, other = browser("counter").http, browser("administrator").http
    data = (samples / END).read_bytes()
    theirs, mine = (http.post("/api/v1/returns", json={"part": "coupler"}).json()["id"] for _ in range(2))
    for claim in (mine, theirs):
        put = http.post(f"/api/v1/returns/{claim}/photos", files={"file": data}, data={"view": "end-pump"})
        assert put.status_code == 201, put.text
    photo, flag = put.json()["photos"][0], next(one for one in put.json()["flags"] if one["kind"] == "same photo")
    other.post("/returns/lists", data={"name": "Mine", "query": "part=coupler"})
    listed = re.search(r"/returns/lists/([0-9a-f-]{36})/forget", other.get("/returns").text)
    assert listed is not None
    line = {"part": "coupler", "lot": "L", "since": "2026-01-05", "count": 10, "source": "Delivery notes"}
    fitted = http.post("/api/v1/fitted", json=line).json()["id"]
    said = {"text": "Looked at.", "reason": "Looked at."}
    before = everything(opened)
    steps: list[tuple[TestClient, str, dict[str, Any]]] = [
        (http, f"/returns/lists/{listed[1]}/forget", {"data": {}}),
        (http, f"/returns/lists/{fitted}/forget", {"data": {}}),
        (http, f"/figures/fitted/{listed[1]}/strike", {"data": {}}),
        (http, f"/figures/fitted/{mine}/strike", {"data": {}}),
        (http, f"/returns/{mine}/flags", {"data": said | {"flag": flag["id"]}}),
        (http, f"/api/v1/returns/{mine}/flags/{flag['id']}/settle", {"json": {"text": said["text"]}}),
        (http, f"/api/v1/returns/{theirs}/flags/{photo['id']}/settle", {"json": {"text": said["text"]}}),
        (http, f"/returns/{fitted}/grade", {"data": {}}),
        (http, f"/api/v1/returns/{photo['id']}/grade", {}),
    ]
    for evidence, claim in ((photo["id"], mine), (photo["photo"], mine), (photo["photo"], theirs), (flag["id"], mine)):
        steps.append((http, f"/returns/{claim}/photos/{evidence}/aside", {"data": said}))
        steps.append((http, f"/api/v1/returns/{claim}/photos/{evidence}/aside", {"json": {"text": said["text"]}}))
    answers = {path: browser.post(path, **sends).status_code for browser, path, sends in steps}
    assert answers == dict.fromkeys(answers, 404)
    assert http.delete(f"/api/v1/fitted/{mine}").status_code == 404
    assert everything(opened) == before


def test_a_flag_of_another_return_among_own_ones_settles_none(
    opened: FastAPI, browser: Callable[[str], Browser], samples: Path
) -> None:
    http = browser("counter").http
    data = (samples / END).read_bytes()
    flags = []
    for _ in range(3):
        claim = http.post("/api/v1/returns", json={"part": "coupler"}).json()["id"]
        put = http.post(f"/api/v1/returns/{claim}/photos", files={"file": data}, data={"view": "end-pump"}).json()
        flags.append([one["id"] for one in put["flags"]])
    before = everything(opened)
    fields = {"text": "Looked at.", "flag": [*flags[2], flags[1][0]]}
    assert http.post(f"/returns/{claim}/flags", data=fields).status_code == 404
    assert everything(opened) == before
