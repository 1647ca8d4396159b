"""Retries record nothing twice, however close together they come.

After the IETF draft "The Idempotency-Key HTTP Header Field": 422 for a key used for another request.
"""

from __future__ import annotations

import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest
from fastapi.testclient import TestClient

pytestmark = pytest.mark.on_both
AT_ONCE = 6


def machines(client: TestClient) -> list[str]:
    return [one["identifier"] for one in client.get("/api/v1/machines").json()["items"]]


def test_retry_gets_the_first_answer(client: TestClient) -> None:
    sent = {"json": {"identifier": "H-1", "hours": 3}, "headers": {"Idempotency-Key": "k"}}
    first, second = client.post("/api/v1/machines", **sent), client.post("/api/v1/machines", **sent)
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()
    assert "idempotency-replayed" not in first.headers
    assert second.headers["idempotency-replayed"] == "true"
    assert second.headers["location"] == f"/api/v1/machines/{first.json()['id']}"
    assert machines(client) == ["H-1"]


@pytest.mark.parametrize(
    ("path", "body"), [("machines", {"identifier": "H-2"}), ("walks", {"start": "x", "steps": []})]
)
def test_key_of_another_request_is_refused(client: TestClient, path: str, body: dict[str, object]) -> None:
    key = {"Idempotency-Key": "k"}
    client.post("/api/v1/machines", json={"identifier": "H-1"}, headers=key)
    answer = client.post(f"/api/v1/{path}", json=body, headers=key)
    assert answer.status_code == 422
    if path == "machines":
        assert answer.json()["code"] == "key-reused"
    assert machines(client) == ["H-1"]


def test_refused_request_uses_no_key_up(client: TestClient) -> None:
    key = {"Idempotency-Key": "k"}
    wrong = {"machine": str(uuid.uuid4())}
    assert client.post("/api/v1/inspections", json=wrong, headers=key).status_code == 404
    assert client.post("/api/v1/machines", json={"identifier": "H-1"}, headers=key).status_code == 201


def test_key_too_long_is_refused(client: TestClient) -> None:
    answer = client.post("/api/v1/machines", json={"identifier": "H"}, headers={"Idempotency-Key": "k" * 201})
    assert answer.status_code == 422
    assert machines(client) == []


def test_many_retries_at_the_same_time_record_once(client: TestClient) -> None:
    start = Barrier(AT_ONCE)

    def attempt(_: int) -> tuple[int, str]:
        start.wait()
        body = {"identifier": "H-1", "hours": 3}
        answer = client.post("/api/v1/machines", json=body, headers={"Idempotency-Key": "k"})
        return answer.status_code, answer.json().get("id", "")

    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = set(pool.map(attempt, range(AT_ONCE)))
    assert len(answers) == 1
    assert next(iter(answers))[0] == 201
    assert machines(client) == ["H-1"]


def test_many_uploads_at_the_same_time_are_one_photo(client: TestClient, sample: Path) -> None:
    start, chosen = Barrier(AT_ONCE), str(uuid.uuid4())

    def attempt(_: int) -> tuple[int, str]:
        start.wait()
        answer = client.post(
            "/api/v1/photos",
            files={"file": sample.read_bytes()},
            data={"id": chosen},
            headers={"Idempotency-Key": "k"},
        )
        return answer.status_code, answer.json().get("id", "")

    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = set(pool.map(attempt, range(AT_ONCE)))
    assert answers == {(201, chosen)}


def test_chosen_id_without_a_key_is_taken_once(client: TestClient) -> None:
    body = {"identifier": "H-1", "id": str(uuid.uuid4())}
    assert client.post("/api/v1/machines", json=body).json()["id"] == body["id"]
    answer = client.post("/api/v1/machines", json=body | {"identifier": "H-2"})
    assert (answer.status_code, answer.json()["code"]) == (409, "conflict")
    assert machines(client) == ["H-1"]
