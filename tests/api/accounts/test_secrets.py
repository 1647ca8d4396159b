"""Secrets stand nowhere but where they were entered and shown: not in logs, answers, metrics, record, database, backup.

Against OWASP's logging cheat sheet: no passwords, session values or tokens in a log, also not in an error's.
"""

from __future__ import annotations

import io
import logging
import re
import tarfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select

from wearvision_api import logs
from wearvision_api.store.record_tables import LogRow
from wearvision_api.upkeep.backup import backup

from .people import ORIGIN, PASSWORD, Browser
from .test_roles import NO_ID

LogIn = Callable[..., Browser]
WRONG = "Zebra-crossing-typed-wrong-77"
SHORT = "Zq9-short"
FRESH = "Velvet-kettle-under-moss-31"
OTHERS = "Marble-otter-seven-lamps-52"
CHANGED = "Quartz-heron-lifts-anchor-84"


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """The log of this process, as ``serve`` sets it up, at its most talkative; put back afterwards."""
    root = logging.getLogger()
    ours = logging.getLogger("wearvision_api")
    handlers, levels = root.handlers[:], (root.level, ours.level)
    stream = io.StringIO()
    logs.configure(stream)
    ours.setLevel(logging.DEBUG)
    yield stream
    root.handlers[:] = handlers
    for one, level in zip((root, ours), levels, strict=True):
        one.setLevel(level)
    structlog.reset_defaults()


def bytes_of(database: str) -> bytes:
    """An SQLite file with what has not been written back yet."""
    file = Path(database)
    return b"".join(one.read_bytes() for one in file.parent.glob(f"{file.name}*"))


def test_secrets_stand_nowhere(
    guarded: FastAPI, browser: LogIn, log: io.StringIO, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers: list[str] = []

    def keep(answer: object) -> None:
        answers.append(answer.text + str(answer.headers))  # type: ignore[attr-defined]

    mine, admin = browser("technician"), browser("administrator")
    http = TestClient(guarded, base_url=ORIGIN, follow_redirects=False, raise_server_exceptions=False)
    page = {"Accept": "text/html"}
    for headers in ({}, page):
        # Wrong log-ins, refused for their form too.
        keep(http.post("/login", data={"name": "technician", "password": WRONG}, headers=headers))
        keep(http.post("/login", data={"name": WRONG, "password": "x" * 2000 + WRONG}, headers=headers))
        keep(http.post("/login", content=f"password={WRONG}", headers=headers | {"Content-Type": "text/plain"}))
        # New passwords, refused and taken.
        for body in (
            {"name": "n", "role": "technician", "password": SHORT},
            {"name": "n", "role": "king", "password": OTHERS},
            {"name": "n", "password": OTHERS, "extra": WRONG},
            {"name": "n", "role": "technician", "password": [OTHERS]},
        ):
            keep(admin.http.post("/api/v1/accounts", json=body, headers=headers))
            keep(admin.http.post("/accounts", data=body, headers=headers))
        keep(admin.http.put(f"/api/v1/accounts/{NO_ID}/password", json={"password": SHORT}, headers=headers))
        keep(admin.http.post("/api/v1/accounts", content=f'{{"password": "{OTHERS}"', headers=headers))
        entered = {"current": WRONG, "password": FRESH, "again": FRESH}
        keep(mine.http.post("/account/password", data=entered, headers=headers))
        keep(mine.http.post("/account/password", data=entered | {"again": CHANGED}, headers=headers))
    made = admin.http.post("/api/v1/accounts", json={"name": "van-9", "role": "technician", "password": OTHERS})
    keep(made)
    keep(admin.http.put(f"/api/v1/accounts/{made.json()['id']}/password", json={"password": CHANGED}))
    keep(mine.http.post("/account/password", data={"current": PASSWORD, "password": FRESH, "again": FRESH}))
    token = mine.http.post(
        "/api/v1/tokens", json={"name": "x", "scopes": ["machines:read"]}, headers={"Idempotency-Key": "k"}
    ).json()["token"]
    shown = mine.http.post("/account/tokens", data={"name": "y", "days": "3", "scopes": ["machines:read"]}).text
    tokens = [token, *re.findall(r"wvk_[\w-]{43}", shown)]
    assert len(tokens) == 2
    # An error that nobody foresaw, with secrets in the frames that fail.
    for place in ("services.machines.find", "accounts.gate.log_in", "services.accounts.create"):
        monkeypatch.setattr(f"wearvision_api.{place}", lambda *_: 1 / 0)
    bearer = {"Authorization": f"Bearer {token}"}
    failed = [
        http.get(f"/api/v1/machines/{NO_ID}?key={token}", headers=bearer),
        http.post("/login", data={"name": "technician", "password": FRESH}),
        TestClient(guarded, base_url=ORIGIN, raise_server_exceptions=False, cookies=admin.http.cookies).post(
            "/api/v1/accounts",
            json={"name": "m", "role": "trainer", "password": OTHERS},
            headers={"X-CSRF": admin.csrf},
        ),
    ]
    assert [one.status_code for one in failed] == [500, 500, 500]
    for one in failed:
        keep(one)
    keep(mine.http.get("/account"))
    keep(mine.http.get("/api/v1/tokens"))
    keep(admin.http.get("/metrics"))
    keep(admin.http.get("/api/v1/record?limit=100"))
    house = guarded.state.house
    with house.session(writes=False) as session:
        record = "".join(session.scalars(select(LogRow.entry)))
    file = tmp_path / "backup.tar"
    backup(house.settings.database_url, house.settings.blob_url, file)
    with tarfile.open(file) as archive:
        kept = b"".join(archive.extractfile(one).read() for one in archive if one.isfile())  # type: ignore[union-attr]
        kept += "".join(archive.getnames()).encode()
    cookies = [str(one.value) for browser in (mine, admin) for one in browser.http.cookies.jar]
    secrets = [PASSWORD, WRONG, SHORT, FRESH, OTHERS, CHANGED, *tokens, *cookies]
    assert len(set(secrets)) == 6 + 2 + 4
    said = log.getvalue()
    assert said.count("unforeseen error") == 3
    assert "ZeroDivisionError" in said
    places = {
        "log": said.encode(),
        "record": record.encode(),
        "backup": kept,
        "database": bytes_of(house.engine.url.database),
    }
    for name, content in places.items():
        assert [one for one in secrets if one.encode() in content] == [], name
    assert [one for one in secrets if any(one in answer for answer in answers)] == []


def test_what_is_kept_of_a_retried_request_holds_no_hash_of_a_password(
    browser: LogIn, guarded: FastAPI, anybody: TestClient
) -> None:
    """A plain hash of a body with a password in it would be a password kept badly."""
    http = browser("administrator").http
    body = {"name": "van-9", "role": "technician", "password": OTHERS}
    key = {"Idempotency-Key": "made once"}
    first = http.post("/api/v1/accounts", json=body, headers=key)
    again = http.post("/api/v1/accounts", json=body, headers=key)
    assert (first.status_code, again.status_code, again.headers["idempotency-replayed"]) == (201, 201, "true")
    assert first.json() == again.json()
    other = http.post("/api/v1/accounts", json=body | {"password": CHANGED}, headers=key)
    assert (other.status_code, other.json()["code"]) == (422, "key-reused")
    assert http.post("/api/v1/accounts", json=body | {"name": "van-8"}, headers=key).json()["code"] == "key-reused"
    assert anybody.post("/login", data={"name": "van-9", "password": OTHERS}).status_code == 303


def test_retried_token_is_one_token_and_its_secret_is_kept_nowhere(browser: LogIn, anybody: TestClient) -> None:
    http = browser("technician").http
    sent = {"json": {"name": "x", "scopes": ["machines:read"]}, "headers": {"Idempotency-Key": "made once"}}
    first, again = http.post("/api/v1/tokens", **sent), http.post("/api/v1/tokens", **sent)
    assert (first.status_code, again.status_code) == (201, 201)
    assert (first.json()["id"], len(http.get("/api/v1/tokens").json()["items"])) == (again.json()["id"], 1)
    assert again.headers["cache-control"] == "no-store"

    def status(made: object) -> int:
        bearer = {"Authorization": f"Bearer {made.json()['token']}"}  # type: ignore[attr-defined]
        return anybody.get("/api/v1/machines", headers=bearer).status_code

    assert (status(first), status(again)) == (401, 200)
    assert http.post("/api/v1/tokens", **sent).json()["code"] == "conflict", "it was used, so its secret did arrive"


def test_record_tells_how_each_account_and_token_came_about(browser: LogIn, guarded: FastAPI) -> None:
    """Whoever signs as a second person has an account that somebody made: the record says who, and when."""
    http = browser("administrator").http
    made = http.post("/api/v1/accounts", json={"name": "second", "role": "counter", "password": OTHERS}).json()["id"]
    http.patch(f"/api/v1/accounts/{made}", json={"role": "trainer"})
    http.patch(f"/api/v1/accounts/{made}", json={"role": "trainer"})
    http.put(f"/api/v1/accounts/{made}/password", json={"password": CHANGED})
    http.patch(f"/api/v1/accounts/{made}", json={"active": False})
    token = http.post("/api/v1/tokens", json={"name": "x", "scopes": ["photos:read"]}).json()["id"]
    http.delete(f"/api/v1/tokens/{token}")
    with guarded.state.house.session(writes=False) as session:
        rows = session.scalars(select(LogRow).where(LogRow.subject.in_((made, token))).order_by(LogRow.place)).all()
    assert {row.who for row in rows} == {"administrator"}
    assert [(row.what, row.kind) for row in rows] == [
        ("made", "account"),
        ("changed", "account"),
        ("set the password of", "account"),
        ("changed", "account"),
        ("made", "token"),
        ("revoked", "token"),
    ]


@pytest.mark.parametrize("name", ["Counter", "ｃounter", "COUNTER", "wearvision", "this machine"])
def test_no_two_accounts_look_the_same(browser: LogIn, name: str) -> None:
    """The record names people by their account: neither another spelling (NFKC, case) nor the service itself."""
    body = {"name": name, "role": "counter", "password": OTHERS}
    answer = browser("administrator").http.post("/api/v1/accounts", json=body)
    assert (answer.status_code, answer.json()["code"]) == (409, "conflict")
