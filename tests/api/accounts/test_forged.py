"""Every route that changes something, asked from elsewhere or without the form's token: refused, nothing changed.

Against OWASP's cheat sheet on cross-site request forgery; the routes are walked, so that a new one cannot escape.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from wearvision_api.accounts.roles import PUBLIC, ROLES
from wearvision_api.deps import READS

from .people import ORIGIN, Browser
from .test_desk_forms import everything
from .test_roles import address, routes_of

LogIn = Callable[..., Browser]
UNCOUNTED = {"tries"}
"""Counts of wrong log-ins change by being counted."""
KINDS: dict[str, dict[str, Any]] = {
    "json": {"json": {"part": "coupler", "identifier": "H-1", "name": "x"}},
    "form": {"data": {"part": "coupler", "identifier": "H-1", "name": "x", "reason": "As seen."}},
    "file": {"files": {"file": b"x"}, "data": {"part": "coupler"}},
    "text": {"content": b'{"part": "coupler"}', "headers": {"Content-Type": "text/plain"}},
    "nothing": {},
}
"""Bodies that another site's page can make a browser send, and those that it cannot."""


def changing(app: FastAPI) -> list[str]:
    """Every route that is no mere reading, those that end a log-in last."""
    found = [name for name in routes_of(app) if name.split(" ", 1)[0] not in READS and name not in PUBLIC]
    return sorted(found)


def test_changes_by_cookie_need_the_token_of_that_log_in(
    opened: FastAPI, browser: LogIn, subtests: pytest.Subtests
) -> None:
    mine, other = browser("administrator"), browser("administrator")
    del mine.http.headers["X-CSRF"]
    names = changing(opened)
    assert len(names) > 100
    before = everything(opened)
    for name in names:
        method = name.split(" ", 1)[0]
        for token in ("", other.csrf):
            for kind, sends in KINDS.items():
                headers = sends.get("headers", {}) | ({"X-CSRF": token} if token else {})
                answer = mine.http.request(method, address(name), **(sends | {"headers": headers}))
                with subtests.test(name, kind=kind, token=bool(token)):
                    assert (answer.status_code, answer.json()["code"]) == (403, "forged")
    assert {table for table, rows in everything(opened).items() if rows != before[table]} <= UNCOUNTED
    assert mine.http.get("/api/v1/me").status_code == 200, "nobody was logged out either"


def test_page_elsewhere_changes_nothing_even_with_the_token(
    opened: FastAPI, browser: LogIn, subtests: pytest.Subtests
) -> None:
    mine = browser("administrator")
    before = everything(opened)
    for name in changing(opened):
        answer = mine.http.request(name.split(" ", 1)[0], address(name), headers={"Origin": "http://evil.example"})
        with subtests.test(name):
            assert (answer.status_code, answer.json()["code"]) == (403, "forged")
    assert everything(opened) == before


def test_reading_changes_nothing(opened: FastAPI, browser: LogIn) -> None:
    """A picture on another site's page makes a browser read any address: reading may change no record."""
    mine = browser("administrator").http
    before = everything(opened)
    for name in routes_of(opened):
        if name.startswith("GET "):
            assert mine.get(address(name), follow_redirects=False).status_code < 500, name
    assert everything(opened) == before


@pytest.mark.parametrize("role", ROLES)
def test_forms_on_pages_carry_the_token(browser: LogIn, role: str) -> None:
    """Each form that is posted has it, and none that only asks does: an address would give it away."""
    mine = browser(role)
    forms = 0
    for path in ("/", "/grade", "/grades", "/machines", "/returns", "/returns/new", "/account", "/accounts", "/figures",
                 "/teaching", "/teaching/sets", "/teaching/practice", "/start/dead", "/trust"):  # fmt: skip
        page = mine.http.get(path, headers={"Accept": "text/html"})
        for attributes, inside in re.findall(r"<form([^>]*)>(.*?)</form>", page.text, re.DOTALL):
            forms += 1
            assert (mine.csrf in inside) == ('method="post"' in attributes), (path, attributes)
    assert forms > 8


@pytest.mark.parametrize(
    "address_after",
    ["//evil.example", "https://evil.example", "/\\evil.example", "\\\\evil.example", "/%0d%0aSet-Cookie:a=b/\r\n",
     "javascript:alert(1)", " //evil.example", "/\t/evil.example", "/​/x", "@evil.example", ""],
)  # fmt: skip
def test_log_in_leads_to_no_other_site(anybody: TestClient, address_after: str) -> None:
    """RFC 3986: what a browser takes for an address with an authority of its own."""
    page = anybody.get("/login", params={"next": address_after})
    assert "evil" not in page.text
    assert 'name="next" value="/"' in page.text
    entered = {"name": "technician", "password": "three plain words do", "next": address_after}
    assert anybody.post("/login", data=entered).headers["location"] == "/"


def test_links_never_follow_the_host_that_was_asked_for(anybody: TestClient) -> None:
    """Addresses in answers are paths; a forged Host or forwarded host gets into none."""
    forged = {"X-Forwarded-Host": "evil.example", "Forwarded": "host=evil.example", "X-Original-URL": "/accounts"}
    for path in ("/login", "/machines", "/api/v1/openapi.json", "/offline", "/manifest.webmanifest", "/problems"):
        answer = anybody.get(path, headers=forged | {"Accept": "text/html"})
        assert "evil.example" not in answer.text + str(answer.headers), path
        assert ORIGIN not in answer.headers.get("location", "")
