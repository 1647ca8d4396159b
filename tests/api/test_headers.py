"""Every answer of every route carries the headers that keep a browser from doing more with it, errors among them.

Against Content Security Policy Level 3, RFC 6797 (HSTS), RFC 9111 (caching), the Fetch standard (nosniff, CORP), HTML
(COOP), and OWASP's list of secure headers.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from httpx import Response

from wearvision_api.app import create_app
from wearvision_api.headers import DATA_POLICY, FILE_POLICY, PAGE_POLICY
from wearvision_api.settings import Settings

from .accounts.test_roles import address, routes_of


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    """Without a log-in, so that every route answers more than 401."""
    app = create_app(Settings(data=tmp_path_factory.mktemp("data"), workers=1))
    with TestClient(app):
        yield app


@pytest.fixture(scope="module")
def http(app: FastAPI) -> TestClient:
    return TestClient(app, base_url="http://127.0.0.1", follow_redirects=False, raise_server_exceptions=False)


def faults_of(answer: Response) -> list[str]:
    """Which headers are missing or weak."""
    policy = answer.headers.get("content-security-policy", "")
    kind = answer.headers.get("content-type", "").partition(";")[0]
    expected = {"text/html": PAGE_POLICY, "text/javascript": PAGE_POLICY, "application/pdf": FILE_POLICY}
    wanted = {
        "content-security-policy": expected.get(kind, DATA_POLICY),
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "referrer-policy": "same-origin",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
    }
    said = answer.headers
    faults = [f"{name}: {said.get(name)}" for name, value in wanted.items() if said.get(name) != value]
    faults += [word for word in ("unsafe", "*", "http:", "data:") if word in policy]
    faults += [name for name in said if name.startswith("access-control-") or name in ("server", "x-powered-by")]
    caching = answer.headers.get("cache-control", "")
    if not str(answer.url.path).startswith("/static/") and "no-store" not in caching and "no-cache" not in caching:
        faults.append(f"cache-control: {caching}")
    return faults


def test_policies_of_pages_and_data() -> None:
    """What each allows, written down here: nothing inline, nothing from elsewhere; data run nothing at all."""
    assert [one for one in PAGE_POLICY.split("; ") if "'none'" not in one] == [
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "media-src 'self' blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
    ]
    for policy in (PAGE_POLICY, FILE_POLICY, DATA_POLICY):
        assert {"default-src 'none'", "base-uri 'none'", "frame-ancestors 'none'"} <= set(policy.split("; "))
    assert DATA_POLICY.endswith("sandbox")


def test_every_route_carries_them(app: FastAPI, http: TestClient) -> None:
    """Each route as a program and as a browser asks for it; ids are of no record, so most answers are errors."""
    found, statuses = {}, set()
    for name in routes_of(app):
        method, _ = name.split(" ", 1)
        sends = {} if method in ("GET", "DELETE") else {"json": {}}
        for accept in ("text/html", "application/json"):
            answer = http.request(method, address(name), headers={"Accept": accept}, **sends)
            statuses.add(answer.status_code)
            if faults := faults_of(answer):
                found[f"{name} {accept}"] = faults
    assert found == {}
    assert {200, 303, 404, 422} <= statuses


@pytest.mark.parametrize(
    ("method", "path", "headers", "content", "status"),
    [
        ("GET", "/no-such", {"Accept": "text/html"}, b"", 404),
        ("GET", "/static/no-such.js", {}, b"", 404),
        ("GET", "/static/wear.css", {}, b"", 200),
        ("GET", "/static/js/queue.js", {}, b"", 200),
        ("GET", "/static/icons/icon.svg", {}, b"", 200),
        ("GET", "/static/../app.py", {}, b"", 404),
        ("GET", "/static/%2e%2e/%2e%2e/app.py", {}, b"", 404),
        ("HEAD", "/", {}, b"", 405),
        ("TRACE", "/machines", {}, b"", 405),
        ("OPTIONS", "/api/v1/machines", {"Origin": "http://evil.example"}, b"", 405),
        ("BREW", "/machines", {}, b"", 405),
        ("GET", "/machines", {"Host": "evil.example"}, b"", 400),
        ("POST", "/machines", {"Origin": "http://evil.example"}, b"", 403),
        ("POST", "/api/v1/machines", {"Content-Type": "application/json"}, b"x" * (2**20 + 1), 413),
    ],
)
def test_refusals_carry_them(
    http: TestClient, method: str, path: str, headers: dict[str, str], content: bytes, status: int
) -> None:
    answer = http.request(method, path, headers=headers, content=content)
    assert (answer.status_code, faults_of(answer)) == (status, [])


@pytest.mark.parametrize("accept", ["text/html", "application/json"])
def test_error_that_nobody_foresaw_carries_them(
    app: FastAPI, http: TestClient, accept: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("secret of the house")

    monkeypatch.setattr("wearvision_api.services.machines.find", fails)
    answer = http.get("/api/v1/machines/00000000-0000-4000-8000-0000000000ff", headers={"Accept": accept})
    assert answer.status_code == 500
    assert faults_of(answer) == []
    assert "secret" not in answer.text
    assert len(answer.headers["x-request-id"]) >= 8, "to be found in the log"


def test_tls_is_asked_for_from_then_on(tmp_path: Path) -> None:
    settings = Settings(data=tmp_path, accounts=True, proxy="127.0.0.1")
    with TestClient(create_app(settings), base_url="https://burner.test") as http:
        for path in ("/login", "/no-such", "/static/wear.css", "/api/v1/me"):
            assert http.get(path).headers["strict-transport-security"] == "max-age=31536000"


def test_photo_is_served_under_name_and_type_of_ours(http: TestClient, sample: Path) -> None:
    """A page inside a photo, sent as a page: it comes back as a photo that runs nothing."""
    polyglot = sample.read_bytes() + b"<html><script>document.title = 'run'</script></html>"
    made = http.post("/api/v1/photos", files={"file": ("x.html", polyglot, "text/html")})
    assert made.status_code == 201, made.text
    answer = http.get(f"/api/v1/photos/{made.json()['id']}/content", headers={"Accept": "text/html"})
    assert answer.content == polyglot
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["content-disposition"] == f'inline; filename="photo-{made.json()["id"][:8]}.jpeg"'
    assert "sandbox" in answer.headers["content-security-policy"]
    assert faults_of(answer) == []


def test_pictures_are_asked_for_anew_each_time(http: TestClient, sample: Path) -> None:
    """RFC 9111, 5.2.2.4: the next one at this browser, who may not see them, gets none from its cache."""
    photo = http.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
    grade = http.post("/api/v1/grades", json={"photos": [photo], "part": "flame_cell"}).json()["id"]
    for path in (f"/api/v1/photos/{photo}/content", f"/api/v1/grades/{grade}/pictures/0"):
        answer = http.get(path)
        assert answer.headers["cache-control"] == "private, no-cache"
        again = http.get(path, headers={"If-None-Match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
    assert http.get(f"/grades/{grade}").headers["cache-control"] == "private, no-store"
