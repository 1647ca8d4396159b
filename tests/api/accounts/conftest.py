"""A service with accounts on plain loopback, and somebody of every role. Names are of our own invention."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import delete

from wearvision_api.accounts.gate import ensure_local
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.accounts.roles import ROLES, Role
from wearvision_api.app import create_app
from wearvision_api.services import accounts
from wearvision_api.settings import Settings
from wearvision_api.store.record_tables import APPEND_ONLY
from wearvision_api.store.tables import Base

from .people import ORIGIN, PASSWORD, Browser

QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""Weak on purpose: the tests log in often."""


@pytest.fixture(scope="package")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    """Opened once, since loading the model takes its time; each test begins with empty tables."""
    app = create_app(Settings(data=tmp_path_factory.mktemp("data"), workers=1, waiting=4, accounts=True))
    with TestClient(app, base_url=ORIGIN):
        yield app


@pytest.fixture
def guarded(opened: FastAPI) -> FastAPI:
    house = replace(opened.state.house, passwords=Passwords(QUICK))
    opened.state.house = house
    with house.session() as session:
        for table in reversed(Base.metadata.sorted_tables):
            if table.name not in APPEND_ONLY:
                session.execute(delete(table))
        ensure_local(session)
        for role in ROLES:
            accounts.create(session, house.passwords, "test", role, role, PASSWORD)
        accounts.create(session, house.passwords, "test", "technician-2", "technician", PASSWORD)
        session.commit()
    return opened


@pytest.fixture
def anybody(guarded: FastAPI) -> TestClient:
    """A browser that has not logged in."""
    return TestClient(guarded, base_url=ORIGIN, follow_redirects=False)


@pytest.fixture
def browser(guarded: FastAPI) -> Callable[[str], Browser]:
    """Logs somebody in by the page."""

    def log_in(name: str, password: str = PASSWORD) -> Browser:
        http = TestClient(guarded, base_url=ORIGIN, follow_redirects=False)
        answer = http.post("/login", data={"name": name, "password": password})
        assert answer.status_code == 303, answer.text
        page = http.get("/account").text
        found = re.search(r'name="csrf" value="([0-9a-f]{64})"', page)
        assert found, page
        http.headers["X-CSRF"] = found[1]
        return Browser(http, found[1])

    return log_in


@pytest.fixture
def as_role(browser: Callable[[str], Browser]) -> Callable[[Role], TestClient]:
    return lambda role: browser(role).http
