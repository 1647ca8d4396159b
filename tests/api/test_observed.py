"""What the service says of itself: log lines and counts, without content, names or addresses of people."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

from wearvision_api import logs
from wearvision_api.app import create_app
from wearvision_api.settings import Settings


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """The log of this process, as ``serve`` sets it up; put back afterwards."""
    root = logging.getLogger()
    ours = logging.getLogger("wearvision_api")
    handlers, levels = root.handlers[:], (root.level, ours.level)
    stream = io.StringIO()
    logs.configure(stream)
    yield stream
    root.handlers[:] = handlers
    for one, level in zip((root, ours), levels, strict=True):
        one.setLevel(level)
    structlog.reset_defaults()


def lines(log: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in log.getvalue().splitlines()]


def test_log_has_a_line_for_each_request_by_template_and_no_secrets(
    log: io.StringIO, client: TestClient, sample: Path
) -> None:
    files = {"file": ("secret-name.jpg", sample.read_bytes(), "image/jpeg")}
    photo = client.post("/api/v1/photos", files=files, headers={"Authorization": "", "X-Request-Id": "my-request-1"})
    assert photo.headers["x-request-id"] == "my-request-1"
    client.get(f"/api/v1/photos/{photo.json()['id']}?token=secret-token")
    client.get("/secret-place", headers={"X-Request-Id": "no good\x7f"})
    client.post("/api/v1/machines", json={"identifier": "secret-machine", "hours": 3})
    said = [line for line in lines(log) if line["event"] == "answered"]
    assert [(line["method"], line["route"], line["status"]) for line in said] == [
        ("POST", "/api/v1/photos", 201),
        ("GET", "/api/v1/photos/{photo_id}", 200),
        ("GET", "unknown", 404),
        ("POST", "/api/v1/machines", 201),
    ]
    assert said[0]["request"] == "my-request-1"
    assert all(isinstance(line["ms"], float) for line in said)
    assert len({line["request"] for line in said}) == 4
    assert "secret" not in log.getvalue()
    assert photo.json()["id"] not in log.getvalue()
    assert "testclient" not in log.getvalue(), "the peer's address"


def test_unforeseen_error_is_logged_with_its_request_but_without_values(log: io.StringIO, settings: Settings) -> None:
    with TestClient(create_app(settings), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        house = client.app.state.house  # type: ignore[attr-defined]
        with house.engine.begin() as connection:
            connection.exec_driver_sql("drop table meter_readings")
        body = {"identifier": "secret-machine", "hours": 3, "notes": "secret-note"}
        failed = client.post("/api/v1/machines", json=body)
    assert (failed.status_code, failed.json()["code"]) == (500, "internal")
    errors = [line for line in lines(log) if line["level"] == "error"]
    assert errors[0]["event"] == "unforeseen error"
    assert errors[0]["request"] == next(line["request"] for line in lines(log) if line["event"] == "answered")
    assert "meter_readings" in json.dumps(errors[0])
    assert "secret" not in log.getvalue()


def test_metrics_count_by_template_and_tell_what_is_kept(client: TestClient, sample: Path) -> None:
    size = len(sample.read_bytes())
    photo = client.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
    for _ in range(2):
        client.get(f"/api/v1/photos/{photo}")
    client.get("/static/nothing")
    families = {one.name: one for one in text_string_to_metric_families(client.get("/metrics").text)}
    counted = {
        (row.labels["method"], row.labels["route"], row.labels["status"]): row.value
        for row in families["wearvision_requests"].samples
        if row.name.endswith("_total")
    }
    assert counted == {
        ("POST", "/api/v1/photos", "201"): 1,
        ("GET", "/api/v1/photos/{photo_id}", "200"): 2,
        ("GET", "/static", "404"): 1,
    }

    def value(name: str) -> float:
        return float(families[name].samples[0].value)

    assert value("wearvision_photos") == 1
    assert value("wearvision_photo_bytes") == size
    assert value("wearvision_grades") == 0
    assert value("wearvision_gradings_inside") == 0
    assert value("wearvision_disk_free_bytes") > 0
    assert families["wearvision_version"].samples[0].labels["model"]


def test_metrics_need_an_administrator_where_there_are_accounts(tmp_path: Path) -> None:
    with TestClient(create_app(Settings(data=tmp_path / "d", accounts=True)), base_url="http://127.0.0.1") as client:
        assert client.get("/metrics").status_code == 401
        assert client.get("/healthz").status_code == 200
        assert client.get("/readyz").status_code == 200


def test_readyz_says_when_the_store_is_gone(tmp_path: Path, settings: Settings) -> None:
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        client.app.state.house.engine.dispose()  # type: ignore[attr-defined]
        for file in settings.data.glob("wearvision.sqlite*"):
            file.unlink()
        (settings.data / "wearvision.sqlite").mkdir()
        answer = client.get("/readyz")
        assert (answer.status_code, answer.json()["code"]) == (503, "not-ready")
        assert client.get("/healthz").status_code == 200
