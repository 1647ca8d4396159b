"""Every error is a problem object (RFC 9457) with the headers of RFC 9110; ETags after its sections 8.8.3 and 13."""

from __future__ import annotations

import errno
import sqlite3

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from jsonschema_rs import validator_for
from sqlalchemy.exc import OperationalError, ProgrammingError
from sqlalchemy.exc import TimeoutError as OutOfConnections

from wearvision_api.problems import PROBLEM_SCHEMA, Problem, install, problem_of

NO_ID = "00000000-0000-4000-8000-0000000000ff"


@pytest.mark.parametrize(
    ("method", "path", "sent", "status", "code"),
    [
        ("GET", "/api/v1/nowhere", {}, 404, "not-found"),
        ("GET", f"/api/v1/photos/{NO_ID}", {}, 404, "not-found"),
        ("GET", "/api/v1/photos/x", {}, 422, "invalid"),
        ("DELETE", "/api/v1/grades", {}, 405, "method"),
        ("POST", "/api/v1/machines", {"content": b"{"}, 422, "invalid"),
        ("POST", "/api/v1/machines", {"content": b"\xff"}, 400, "bad-request"),
        ("POST", "/api/v1/machines", {"content": b"[" * 100_000}, 400, "bad-request"),
        ("POST", "/api/v1/machines", {"json": {"identifier": "H", "colour": "red"}}, 422, "invalid"),
        ("POST", "/api/v1/machines", {"json": {"identifier": "H\x00"}}, 422, "invalid"),
        ("POST", "/api/v1/machines", {"content": b'{"identifier": "\\ud800"}'}, 422, "invalid"),
        ("POST", "/api/v1/machines", {"content": b'{"identifier": "H", "hours": NaN}'}, 422, "invalid"),
        ("POST", "/api/v1/machines", {"content": b'{"identifier": "H", "hours": 1e999}'}, 422, "invalid"),
        ("GET", "/api/v1/grades?limit=0", {}, 422, "invalid"),
        ("GET", "/api/v1/grades?cursor=x", {}, 400, "bad-request"),
        ("GET", "/api/v1/starts/%00%C3%A9", {}, 404, "not-found"),
    ],
)  # fmt: skip
def test_errors_are_problem_objects(
    client: TestClient, method: str, path: str, sent: dict[str, object], status: int, code: str
) -> None:
    headers = {"Content-Type": "application/json"} if "content" in sent else {}
    answer = client.request(method, path, headers=headers, **sent)  # type: ignore[arg-type]
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    validator_for(PROBLEM_SCHEMA, validate_formats=True).validate(body)
    assert (body["code"], body["status"]) == (code, status)
    if status == 405:
        assert answer.headers["allow"] == "GET, POST"  # RFC 9110, 15.5.6


def test_full_disk_is_told_as_507() -> None:
    app = FastAPI()
    install(app)

    @app.get("/full")
    def full() -> None:
        raise OSError(errno.ENOSPC, "no space left")

    @app.get("/busy")
    def busy() -> None:
        raise Problem("busy", "Later.", headers={"Retry-After": "2"}, seats=3)

    with TestClient(app) as http:
        told = http.get("/full")
        assert (told.status_code, told.json()["code"]) == (507, "disk-full")
        told = http.get("/busy")
        assert (told.status_code, told.headers["retry-after"], told.json()["seats"]) == (503, "2", 3)


def test_unforeseen_error_says_nothing_of_the_inside() -> None:
    app = FastAPI()
    install(app)

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("secret of the house")

    with TestClient(app, raise_server_exceptions=False) as http:
        told = http.get("/broken")
    assert (told.status_code, told.json()["code"]) == (500, "internal")
    assert "secret" not in told.text


def test_change_needs_the_version_that_was_read(client: TestClient) -> None:
    made = client.post("/api/v1/machines", json={"identifier": "H"}).json()
    path = f"/api/v1/machines/{made['id']}"
    etag = client.get(path).headers["etag"]
    assert etag.startswith('"')
    assert etag.endswith('"')
    for given, status in (
        ({}, 428),
        ({"If-Match": '"other"'}, 412),
        ({"If-Match": f"W/{etag}"}, 412),  # strong comparison: RFC 9110, 13.1.1
        ({"If-Match": f'"other", {etag}'}, 200),
        ({"If-Match": etag}, 412),
        ({"If-Match": "*"}, 200),
    ):
        assert client.patch(path, json={"notes": "x"}, headers=given).status_code == status, given


def test_reader_of_the_same_version_gets_304(client: TestClient) -> None:
    made = client.post("/api/v1/machines", json={"identifier": "H"}).json()
    path = f"/api/v1/machines/{made['id']}"
    etag = client.get(path).headers["etag"]
    for given, status in (
        (etag, 304),
        (f"W/{etag}", 304),  # weak comparison: RFC 9110, 13.1.2
        (f'"a", {etag}', 304),
        ("*", 304),
        ('"a"', 200),
        ("", 200),
    ):
        answer = client.get(path, headers={"If-None-Match": given})
        assert answer.status_code == status, given
        assert answer.headers["etag"] == etag


def test_two_who_read_the_same_do_not_overwrite_each_other(client: TestClient) -> None:
    made = client.post("/api/v1/machines", json={"identifier": "H"}).json()
    path = f"/api/v1/machines/{made['id']}"
    etag = client.get(path).headers["etag"]
    codes = [client.patch(path, json={"notes": n}, headers={"If-Match": etag}).status_code for n in "ab"]
    assert codes == [200, 412]
    assert client.get(path).json()["notes"] == "a"


@pytest.mark.parametrize(
    ("said", "code"),
    [
        ("database is locked", "busy"),
        ("deadlock detected\nDETAIL: Process 1 waits", "busy"),
        ("canceling statement due to lock timeout", "busy"),
        ("attempt to write a readonly database", "read-only"),
        ("cannot execute INSERT in a read-only transaction", "read-only"),
        ("terminating connection due to administrator command", "not-ready"),
        ("FATAL:  sorry, too many clients already", "not-ready"),
        ("disk I/O error", "not-ready"),
        ('could not extend file "base/5": No space left on device', "disk-full"),
    ],
)
def test_a_database_that_cannot_work_now_is_told_with_when_to_come_again(said: str, code: str) -> None:
    problem = problem_of(OperationalError("update", {}, Exception(said)))
    assert problem.code == code
    assert code == "disk-full" or int(problem.headers["Retry-After"]) > 0


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (OSError(errno.EROFS, "read-only"), "read-only"),
        (OSError(errno.EIO, "input/output"), "not-ready"),
        (OSError(errno.ESTALE, "stale handle"), "not-ready"),
        (OutOfConnections("QueuePool limit reached"), "busy"),
        (ProgrammingError("select", {}, Exception("no such column")), "internal"),
        (OSError(errno.EACCES, "denied"), "internal"),
        (OperationalError("select", {}, sqlite3.OperationalError("no such table: x")), "internal"),
        (OperationalError("select", {}, sqlite3.OperationalError("disk I/O error")), "not-ready"),
    ],
)
def test_a_store_that_cannot_work_now_is_no_fault_of_the_program(error: Exception, code: str) -> None:
    assert problem_of(error).code == code
