"""Accounts over API and pages, the first administrator, passwords. The rules are this project's own.

Lengths and normalisation of passwords follow NIST SP 800-63B; the shortest of 12 is our own choice.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from click.testing import CliRunner
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select

from wearvision_api.accounts.passwords import Passwords, demand_good
from wearvision_api.accounts.roles import Role
from wearvision_api.commands import administrator
from wearvision_api.problems import Problem
from wearvision_api.settings import Settings
from wearvision_api.store.engine import open_engine
from wearvision_api.store.tables import Account

from .people import ORIGIN, PASSWORD, Browser

AsRole = Callable[[Role], TestClient]
LogIn = Callable[..., Browser]


def ids(http: TestClient) -> dict[str, str]:
    return {one["name"]: one["id"] for one in http.get("/api/v1/accounts").json()["items"]}


def test_administrator_makes_changes_and_ends_accounts(as_role: AsRole, browser: LogIn, anybody: TestClient) -> None:
    admin = as_role("administrator")
    body = {"name": "van-3", "role": "technician", "password": PASSWORD}
    made = admin.post("/api/v1/accounts", json=body)
    assert made.status_code == 201
    assert set(made.json()) == {"id", "name", "role", "active", "created_at"}
    assert admin.post("/api/v1/accounts", json=body).json()["code"] == "conflict"
    path = f"/api/v1/accounts/{made.json()['id']}"
    theirs = browser("van-3")
    assert admin.patch(path, json={"role": "counter"}).json()["role"] == "counter"
    assert theirs.http.get("/api/v1/me").json()["role"] == "counter"
    fresh = "rather different plain words"
    assert admin.put(f"{path}/password", json={"password": fresh}).status_code == 204
    assert theirs.http.get("/api/v1/me").status_code == 401
    theirs = browser("van-3", fresh)
    assert admin.patch(path, json={"active": False}).json()["active"] is False
    assert theirs.http.get("/api/v1/me").status_code == 401
    assert anybody.post("/login", data={"name": "van-3", "password": fresh}).status_code == 401
    assert admin.patch(path, json={"active": True}).status_code == 200
    assert theirs.http.get("/api/v1/me").status_code == 401  # an ended log-in does not come back
    assert browser("van-3", fresh).http.get("/api/v1/me").status_code == 200


@pytest.mark.parametrize("change", [{"role": "counter"}, {"active": False}, {"role": "trainer", "active": False}])
def test_last_administrator_stays(as_role: AsRole, change: dict[str, object]) -> None:
    admin = as_role("administrator")
    path = f"/api/v1/accounts/{ids(admin)['administrator']}"
    assert admin.patch(path, json=change).status_code == 409
    admin.post("/api/v1/accounts", json={"name": "second", "role": "administrator", "password": PASSWORD})
    assert admin.patch(path, json=change).status_code == 200


def test_two_administrators_cannot_end_each_other_at_the_same_time(as_role: AsRole, browser: LogIn) -> None:
    admin = as_role("administrator")
    admin.post("/api/v1/accounts", json={"name": "second", "role": "administrator", "password": PASSWORD})
    known, other = ids(admin), browser("second").http
    with ThreadPoolExecutor(2) as pool:
        tasks = [
            pool.submit(http.patch, f"/api/v1/accounts/{known[name]}", json={"active": False})
            for http, name in ((admin, "second"), (other, "administrator"))
        ]
        codes = sorted(task.result().status_code for task in tasks)
    assert codes[0] == 200
    assert codes[1] in (401, 409)


def test_the_one_of_local_work_is_no_account_to_manage(as_role: AsRole) -> None:
    admin = as_role("administrator")
    assert "this machine" not in ids(admin)
    local = "00000000-0000-4000-8000-000000000001"
    assert admin.put(f"/api/v1/accounts/{local}/password", json={"password": PASSWORD}).status_code == 404


def test_pages_of_accounts(as_role: AsRole, browser: LogIn) -> None:
    admin = as_role("administrator")
    made = admin.post("/accounts", data={"name": "<b>yard</b>", "role": "counter", "password": PASSWORD})
    assert made.status_code == 303
    page = admin.get("/accounts").text
    assert "&lt;b&gt;yard&lt;/b&gt;" in page
    assert "$argon2" not in page
    path = f"/accounts/{ids(admin)['<b>yard</b>']}"
    assert admin.post(path, data={"role": "trainer"}).status_code == 303
    assert admin.post(f"{path}/password", data={"password": "short"}).status_code == 422
    assert admin.post(f"{path}/password", data={"password": "other fine plain words"}).status_code == 303
    assert browser("<b>yard</b>", "other fine plain words").http.get("/api/v1/me").json()["role"] == "trainer"
    assert admin.post(path, data={"active": "false"}).status_code == 303
    assert "trainer, ended" in re.sub(r"\s+", " ", admin.get("/accounts").text)


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("elevenchars", "12 to 256"),
        ("x" * 257, "12 to 256"),
        ("aaaaaaaabbbb", "repeats"),
        ("Password1234567890", "common"),
        ("password2026!", "common"),
        ("yard-counter-1", "name"),
    ],
)
def test_soon_guessed_passwords_are_refused(password: str, why: str) -> None:
    with pytest.raises(Problem, match=why):
        demand_good(password, "yard-counter")


@pytest.mark.parametrize(
    "password", [PASSWORD, "ein Satz mit Umlauten: äöü", "correct horse battery staple", "🔧🔩 keys and nuts 🔥"]
)
def test_plain_words_are_taken(password: str) -> None:
    demand_good(password, "yard-counter")


def test_same_characters_from_another_keyboard_are_the_same_password() -> None:
    """Unicode NFKC: o with a diaeresis as one character, or as two."""
    passwords = Passwords()
    assert passwords.fits(passwords.hash("zw\u00f6lf Zeichen hier"), "zwo\u0308lf Zeichen hier")


def test_default_parameters_are_those_of_the_standard() -> None:
    """RFC 9106, section 4: Argon2id, 64 MiB, 3 passes, 4 lanes where memory is short."""
    assert Passwords().hash(PASSWORD).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_first_administrator_by_the_command(tmp_path: Path) -> None:
    run = CliRunner()
    given = ["office", "--data", str(tmp_path)]
    short = run.invoke(administrator, [*given, "--password-stdin"], input="short\n")
    assert (short.exit_code, "12 to 256" in short.output) == (2, True)
    made = run.invoke(administrator, given, input=f"{PASSWORD}\n{PASSWORD}\n")
    assert made.exit_code == 0, made.output
    assert PASSWORD not in made.output
    differs = run.invoke(administrator, given, input=f"{PASSWORD}\nother\n")
    assert differs.exit_code == 1
    again = run.invoke(administrator, [*given, "--password-stdin"], input="another few plain words\n")
    assert (again.exit_code, "new password" in again.output) == (0, True)
    engine = open_engine(Settings(data=tmp_path).database_url)
    with engine.connect() as connection:
        rows = connection.execute(
            select(Account.name, Account.role, Account.password).where(Account.password != "")
        ).all()
    engine.dispose()
    assert [(row.name, row.role) for row in rows] == [("office", "administrator")]
    assert Passwords().fits(rows[0].password, "another few plain words")


def test_command_makes_no_administrator_of_somebody_else(tmp_path: Path, guarded: FastAPI) -> None:
    url = str(guarded.state.house.engine.url)
    told = CliRunner().invoke(administrator, ["counter", "--database", url, "--password-stdin"], input=f"{PASSWORD}\n")
    assert told.exit_code == 2
    assert "counter" in told.output
    answer = TestClient(guarded, base_url=ORIGIN, follow_redirects=False).post(
        "/login", data={"name": "counter", "password": PASSWORD}
    )
    assert answer.status_code == 303
