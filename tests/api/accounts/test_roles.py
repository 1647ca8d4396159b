"""Every route times every role: what is expected stands here as a table of its own, not read from the code.

The table is this project's own decision (issue 4, outcome 7); there is no published source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from starlette.routing import BaseRoute, Mount

from wearvision_api.accounts.roles import ACTIONS, PUBLIC, ROLES
from wearvision_api.deps import caller

from .people import ORIGIN

EXPECTED = {
    # action              technician counter trainer administrator
    "photos:read": "yes yes yes yes",
    "photos:write": "yes yes no yes",
    "grades:read": "yes yes yes yes",
    "grades:write": "yes yes no yes",
    "machines:read": "yes yes yes yes",
    "machines:write": "yes no no yes",
    "inspections:read": "yes yes yes yes",
    "inspections:write": "yes no no yes",
    "accounts:manage": "no no no yes",
    "metrics:read": "no no no yes",
    "returns:read": "no yes no yes",
    "returns:write": "no yes no yes",
    "returns:decide": "no yes no yes",
    "record:read": "no yes no yes",
    "figures:read": "no yes no yes",
    "photos:erase": "no no no yes",
    "trust:read": "yes yes yes yes",
    "practice:take": "yes yes yes yes",
    "photos:permit": "yes yes no yes",
    "teaching:read": "no no yes yes",
    "labels:write": "no no yes yes",
    "teaching:write": "no no yes yes",
    "models:release": "no no yes yes",
    "account:own": "yes yes yes yes",
    "any account": "yes yes yes yes",
}
READ_ONLY = ["photos:read", "grades:read", "machines:read", "inspections:read"]
"""Scopes of the token that is walked along."""
OWN_FORMS = {"POST /logout", "POST /units"}
"""Change nothing but this browser's own log-in and choice of units."""
ENDS = {"POST /logout", "POST /account/logins/end", "DELETE /api/v1/logins"}
"""End log-ins, so that they are walked last and each by a fresh one."""
NO_ID = "00000000-0000-4000-8000-0000000000ff"
REFUSED = {401, 403}


def routes_of(app: FastAPI) -> dict[str, APIRoute]:
    """Every route as ``METHOD path``."""
    return {f"{method} {route.path}": route for route in _flat(app.routes) for method in sorted(route.methods)}


def _flat(routes: Iterable[BaseRoute]) -> Iterator[APIRoute]:
    for route in routes:
        if isinstance(route, APIRoute):
            yield route
        elif not isinstance(route, Mount):
            inner = getattr(route, "effective_route_contexts", None)
            if inner is not None:
                yield from (one for one in inner())


def guards_of(route: APIRoute) -> set[str]:
    """Actions that a route asks for; ``any account`` where it asks for a caller only."""
    found, waiting = set(), [route.dependant]
    while waiting:
        one = waiting.pop()
        waiting.extend(one.dependencies)
        if hasattr(one.call, "action"):
            found.add(one.call.action)
        elif one.call is caller:
            found.add("any account")
    return found - {"any account"} or found


def address(name: str) -> str:
    """An address with no record behind it."""
    path = name.split(" ", 1)[1]
    filled = re.sub(r"\{part\}", "coupler", re.sub(r"\{number\}", "0", path.replace("{place}", "1")))
    return re.sub(r"\{[^}]+\}", NO_ID, filled)


def ask(http: TestClient, name: str, **headers: str) -> Any:
    method = name.split(" ", 1)[0]
    sends = {} if method in ("GET", "DELETE") else {"json": {}}
    return http.request(method, address(name), headers=headers, follow_redirects=False, **sends)


def test_table_here_names_every_action() -> None:
    assert set(EXPECTED) == {*ACTIONS, "any account"}
    assert all(len(row.split()) == len(ROLES) for row in EXPECTED.values())


def test_every_route_is_guarded_or_said_to_be_public(opened: FastAPI) -> None:
    routes = routes_of(opened)
    assert len(routes) > 60, sorted(routes)
    for name, route in routes.items():
        guards = guards_of(route)
        assert bool(guards) != (name in PUBLIC), f"{name} needs a guard or an entry in PUBLIC, and not both: {guards}"
        assert len(guards) <= 1, f"{name} has more than one action: {guards}"


def test_public_routes_of_the_framework_are_listed(opened: FastAPI) -> None:
    """What is no API route of ours: the OpenAPI document and the static files, nothing else."""
    others = [route for route in opened.routes if getattr(route, "path", None) and not isinstance(route, APIRoute)]
    assert sorted(route.path for route in others) == ["/api/v1/openapi.json", "/static"]  # type: ignore[attr-defined]


def test_writes_ask_for_no_mere_reading(opened: FastAPI) -> None:
    for name, route in routes_of(opened).items():
        guards = guards_of(route)
        if not name.startswith("GET ") and name not in PUBLIC | OWN_FORMS:
            assert not any(one.endswith(":read") or one == "any account" for one in guards), (name, guards)


def test_every_route_times_every_role(
    opened: FastAPI, guarded: FastAPI, as_role: Any, anybody: TestClient, subtests: pytest.Subtests
) -> None:
    browsers = {role: as_role(role) for role in ROLES}
    made = browsers["administrator"].post("/api/v1/tokens", json={"name": "reader", "scopes": READ_ONLY})
    bearer = {"Authorization": f"Bearer {made.json()['token']}"}
    for name, route in sorted(routes_of(opened).items(), key=lambda pair: pair[0] in ENDS):
        with subtests.test(name):
            guards = guards_of(route)
            if not guards:
                assert ask(anybody, name).status_code not in {403, 500}
                continue
            (action,) = guards
            assert ask(anybody, name).status_code == 401
            token = ask(TestClient(guarded, base_url=ORIGIN), name, **bearer).status_code
            assert (token != 403) == (action in READ_ONLY or action == "any account"), f"token: {token}"
            assert token != 401
            for role, word in zip(ROLES, EXPECTED[action].split(), strict=True):
                status = ask(as_role(role) if name in ENDS else browsers[role], name).status_code
                assert status < 500
                assert (status not in REFUSED) == (word == "yes"), f"{role}: {status}"
