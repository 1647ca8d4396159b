"""Photos in a real S3-style store: what is asked of it, what two processes see, and what happens when it is away."""

from __future__ import annotations

import os
import socket
import threading
import time
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from wearvision_api.app import create_app
from wearvision_api.settings import Settings
from wearvision_api.store import object_store
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.object_store import StoreAwayError, Turns

from .object_server import ObjectServer


def test_photos_come_back_as_they_went_in_and_the_hot_ways_list_nothing(
    on_s3: ObjectServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = Blobs(on_s3.url), Blobs(f"{on_s3.url}/")
    asked: list[str] = []
    call = first.system._call_s3

    async def noted(method: str, *rest: object, **named: object) -> object:
        asked.append(method)
        return await call(method, *rest, **named)

    monkeypatch.setattr(first.system, "_call_s3", noted)
    photo = os.urandom(300_000)
    first.check()
    name = first.put(photo)
    assert first.put(photo) == name
    assert first.get(name) == photo == second.get(name)
    with pytest.raises(FileNotFoundError):
        first.get("0" * 64)
    assert set(asked) <= {"get_object", "put_object"}
    assert second.names().count(name) == 1
    assert not first.discard(name, idle_s=3600), "somebody has just put it"
    assert first.discard(name, idle_s=0)
    assert not second.discard(name, idle_s=0), "gone already"


def test_another_folder_of_the_bucket_is_another_store(on_s3: ObjectServer) -> None:
    name = Blobs(f"{on_s3.url}/a").put(b"photo")
    with pytest.raises(FileNotFoundError):
        Blobs(f"{on_s3.url}/b").get(name)


def test_a_bucket_that_is_not_there_is_said(on_s3: ObjectServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "wrong")
    with pytest.raises(OSError, match=r"photo store|there is no"):
        Blobs("s3://elsewhere/photos").check()


def test_service_answers_503_while_the_store_is_away_and_goes_on_by_itself(
    on_s3: ObjectServer, tmp_path: Path, sample: Path
) -> None:
    settings = Settings(data=tmp_path / "data", blobs=on_s3.url, workers=1)
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        photo = client.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
        on_s3.kill()
        try:
            again = client.post(
                "/api/v1/photos", files={"file": sample.read_bytes()}, headers={"Idempotency-Key": "kept"}
            )
            assert (again.status_code, again.json()["code"]) == (503, "not-ready")
            assert int(again.headers["retry-after"]) > 0
            graded = client.post("/api/v1/grades", json={"photos": [photo]})
            assert (graded.status_code, graded.json()["code"]) == (503, "not-ready")
            assert client.get("/readyz").status_code == 503
            assert client.get("/healthz").status_code == 200
            assert client.get(f"/api/v1/photos/{photo}").status_code == 200
        finally:
            on_s3.start()
        assert client.get("/readyz").status_code == 200
        graded = client.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"})
        assert graded.status_code == 201, graded.text
        picture = client.get(f"/api/v1/grades/{graded.json()['id']}/pictures/0")
        assert picture.content.startswith(b"\xff\xd8")


def test_a_store_that_takes_connections_and_says_nothing_is_given_up(
    on_s3: ObjectServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_store, "LIMIT_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        monkeypatch.setenv("AWS_ENDPOINT_URL_S3", f"http://127.0.0.1:{silent.getsockname()[1]}")
        blobs = Blobs("s3://silent/photos")
        begun = time.monotonic()
        with pytest.raises(StoreAwayError):
            blobs.put(b"photo")
        assert time.monotonic() - begun < 20, "one second, and what a busy machine adds"


def test_requests_beyond_the_places_are_told_at_once() -> None:
    turns, inside, leave = Turns(most=1, wait_s=0.05), threading.Event(), threading.Event()

    def hang() -> None:
        with turns.one():
            inside.set()
            leave.wait()

    slow = threading.Thread(target=hang)
    slow.start()
    inside.wait()
    with pytest.raises(StoreAwayError, match="too many"), turns.one():
        pass
    leave.set()
    slow.join()
    with turns.one():
        pass
