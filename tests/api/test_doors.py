"""Foreign host names, origins and oversized bodies are turned away; every answer carries the security headers.

Against RFC 9110 (7.2 Host, 15.5.14), the Fetch standard's Sec-Fetch-Site, and OWASP's list of secure headers.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.doors import host_is_ours
from wearvision_api.settings import Settings

LOCAL = Settings()
NAMED = Settings(host="0.0.0.0", accounts=True, proxy="10.0.0.2", hosts="burner.test, office.test")
OPEN = Settings(host="0.0.0.0", accounts=True, proxy="10.0.0.2")


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8460", "localhost:8460", "LOCALHOST", "[::1]:8460", "127.8.9.1"]
)
def test_loopback_names_are_ours(host: str) -> None:
    assert host_is_ours(host, LOCAL)


@pytest.mark.parametrize(
    "host", ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "10.0.0.5", "", "a@localhost",
             "localhost:x", "localhost/", "[::1", "localhost:999999", "evil.example#@localhost"],
)  # fmt: skip
def test_other_names_are_not_ours_on_loopback(host: str) -> None:
    assert not host_is_ours(host, LOCAL)


def test_names_set_are_the_only_ones() -> None:
    assert host_is_ours("Burner.test:443", NAMED)
    assert not host_is_ours("evil.example", NAMED)
    assert host_is_ours("anything.example", OPEN)
    assert not host_is_ours("a b", OPEN)
    assert host_is_ours("burner.test", Settings(hosts="burner.test"))


@given(st.text(max_size=40))
def test_no_host_header_breaks_it(host: str) -> None:
    if host_is_ours(host, LOCAL):
        assert host.lower().startswith(("localhost", "127.", "[::1]", "[::ffff:127.", "[0"))


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    from wearvision_api.app import create_app

    settings = Settings(data=tmp_path_factory.mktemp("data"), workers=1, max_upload_mb=1)
    with TestClient(create_app(settings), base_url="http://127.0.0.1", follow_redirects=False) as http:
        yield http


def test_page_whose_name_was_pointed_here_reads_nothing(door: TestClient) -> None:
    """DNS rebinding: the address is ours, the name is not."""
    answer = door.get("/api/v1/photos/x", headers={"Host": "evil.example"})
    assert (answer.status_code, answer.json()["code"]) == (400, "bad-request")


@pytest.mark.parametrize(
    ("said", "passes"),
    [
        ({}, True),
        ({"Origin": "http://127.0.0.1"}, True),
        ({"Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-origin"}, True),
        ({"Sec-Fetch-Site": "none"}, True),
        ({"Origin": "http://evil.example"}, False),
        ({"Origin": "http://127.0.0.1.evil.example"}, False),
        ({"Origin": "http://127.0.0.1:8461"}, False),
        ({"Origin": "null"}, False),
        ({"Origin": ""}, False),
        ({"Sec-Fetch-Site": "cross-site"}, False),
        ({"Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-site"}, False),
    ],
)
def test_work_without_log_in_takes_changes_from_its_own_pages_only(
    door: TestClient, said: dict[str, str], passes: bool
) -> None:
    for answer in (
        door.post("/api/v1/machines", json={}, headers=said),
        door.post("/machines", data={"identifier": ""}, headers=said),
        door.post("/api/v1/photos", files={"file": b""}, headers=said),
    ):
        assert answer.status_code == (422 if passes else 403), answer.text
        assert answer.headers["content-type"] == "application/problem+json"


def test_token_that_is_none_does_not_fall_back_to_local_work(door: TestClient) -> None:
    """A browser adds no bearer token by itself, so it passes the origin check: then it must hold."""
    said = {"Authorization": "Bearer wvk_x", "Origin": "http://evil.example"}
    assert door.post("/api/v1/machines", json={"identifier": "H"}, headers=said).status_code == 401
    said["Authorization"] = "Basic eDp5"
    assert door.post("/api/v1/machines", json={"identifier": "H"}, headers=said).status_code == 403


def test_oversized_bodies_are_refused(door: TestClient) -> None:
    big = b"x" * (2 * 2**20 + 1)
    for answer in (
        door.post("/api/v1/machines", content=big, headers={"Content-Type": "application/json"}),
        door.post("/api/v1/photos", files={"file": ("a.jpg", big)}),
        door.post("/api/v1/photos", files={"file": ("a.jpg", big[: 2**20 + 1])}),
    ):
        assert (answer.status_code, answer.json()["code"]) == (413, "too-large")


def test_oversized_body_of_unstated_length_is_refused_as_it_comes(door: TestClient) -> None:
    sent = []

    def pieces() -> Iterator[bytes]:
        for number in range(64):
            sent.append(number)
            yield b" " * 2**16

    answer = door.post("/api/v1/machines", content=pieces(), headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (413, "too-large")


@pytest.mark.parametrize(
    "path", ["/machines", "/api/v1/me", "/no-such", "/static/icons/icon.svg", "/offline", "/account"]
)
def test_every_answer_carries_the_headers(door: TestClient, path: str) -> None:
    for headers in ({}, {"Host": "evil.example"}):
        answer = door.get(path, headers=headers)
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert "camera=(self)" in answer.headers["permissions-policy"]
        assert "strict-transport-security" not in answer.headers  # plain loopback
        assert "server" not in answer.headers


def test_templates_keep_to_the_policy() -> None:
    """No inline script, style or handler, nothing from elsewhere: the policy would block it."""
    import re

    import wearvision_api

    folder = Path(str(wearvision_api.__file__)).parent / "pages"
    files = [*folder.rglob("*.html"), *folder.glob("*.py")]
    assert len(files) > 10
    for file in files:
        text = file.read_text("utf-8")
        assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=\"|\son[a-z]+=\"|javascript:", text), file.name
        assert not re.search(r"(src|href)=\"https?:", text), file.name
