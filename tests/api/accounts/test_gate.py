"""Log-in, log-out, delay, forms' tokens, programs' tokens. Against RFC 6265bis (prefixes), RFC 6750 (bearer)."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import select, update

from wearvision_api.accounts import gate
from wearvision_api.accounts.delay import NAME, PAIR, PLACE, Knock, place_of, wait_s
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.app import create_app
from wearvision_api.problems import Problem
from wearvision_api.services import accounts
from wearvision_api.settings import Settings
from wearvision_api.store.tables import Account, Login, Token, Try

from .people import ORIGIN, PASSWORD, Browser

LogIn = Callable[..., Browser]
NOON = datetime(2026, 1, 1, 12, tzinfo=UTC)
FREE = PAIR.free


def test_log_in_sets_a_cookie_for_scripts_out_of_reach(anybody: TestClient) -> None:
    answer = anybody.post("/login", data={"name": "technician", "password": PASSWORD, "next": "/machines"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/machines")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("wearvision=")
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Secure" not in cookie  # plain loopback: a browser would drop it


def test_cookie_behind_tls_is_bound_to_host_and_tls(tmp_path: Path) -> None:
    """RFC 6265bis, 4.1.3.2: __Host- needs Secure, Path=/ and no Domain."""
    settings = Settings(data=tmp_path, accounts=True, proxy="127.0.0.1")
    with TestClient(create_app(settings), base_url="https://burner.test", follow_redirects=False) as http:
        house = http.app.state.house  # type: ignore[attr-defined]
        with house.session() as session:
            accounts.create(session, house.passwords, "test", "a", "trainer", PASSWORD)
            session.commit()
        answer = http.post("/login", data={"name": "a", "password": PASSWORD})
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-wearvision=")
        assert "Secure" in cookie
        assert "Path=/" in cookie
        assert "Domain" not in cookie
        assert answer.headers["strict-transport-security"].startswith("max-age=")
        assert http.get("/account").status_code == 200


def test_only_hashes_are_kept(browser: LogIn, guarded: FastAPI) -> None:
    http = browser("technician").http
    issued = http.post("/api/v1/tokens", json={"name": "x", "scopes": ["photos:read"]}).json()["token"]
    with guarded.state.house.session(writes=False) as session:
        kept = [
            *session.scalars(select(Login.id)),
            *session.scalars(select(Token.digest)),
            *session.scalars(select(Account.password)),
        ]
    everything = " ".join(kept)
    assert http.cookies["wearvision"] not in everything
    assert issued not in everything
    assert PASSWORD not in everything


@pytest.mark.parametrize(("name", "password"), [("technician", "wrong words here"), ("nobody", PASSWORD), ("", "")])
def test_wrong_log_in_tells_not_which(anybody: TestClient, name: str, password: str) -> None:
    answer = anybody.post("/login", data={"name": name, "password": password})
    assert answer.status_code == 401
    assert "Name or password is wrong." in answer.text
    assert "set-cookie" not in answer.headers


def test_the_one_of_local_work_cannot_log_in(anybody: TestClient) -> None:
    answer = anybody.post("/login", data={"name": "this machine", "password": ""})
    assert answer.status_code == 401


@pytest.mark.parametrize("name", ["technician", "nobody"])
def test_wrong_tries_in_a_row_have_to_wait_whether_the_name_exists_or_not(anybody: TestClient, name: str) -> None:
    tries = [anybody.post("/login", data={"name": name, "password": "wrong words here"}) for _ in range(FREE + 1)]
    assert [one.status_code for one in tries] == [401] * FREE + [429]
    assert int(tries[-1].headers["retry-after"]) >= 1
    if name == "technician":
        assert anybody.post("/login", data={"name": name, "password": PASSWORD}).status_code == 429


def long_ago(guarded: FastAPI, **ago: float) -> None:
    """As if all tries had been made earlier."""
    with guarded.state.house.session() as session:
        past = datetime.now(UTC) - timedelta(**ago)
        session.execute(update(Account).values(failed_at=past))
        session.execute(update(Try).values(failed_at=past))
        session.commit()


def test_right_password_after_the_wait_forgets_the_wrong_ones(anybody: TestClient, guarded: FastAPI) -> None:
    for _ in range(FREE):
        anybody.post("/login", data={"name": "technician", "password": "wrong words here"})
    long_ago(guarded, seconds=5)
    assert anybody.post("/login", data={"name": "technician", "password": PASSWORD}).status_code == 303
    with guarded.state.house.session(writes=False) as session:
        assert session.scalar(select(Account.failures).where(Account.name == "technician")) == 0
        counts = sorted(tuple(row) for row in session.execute(select(Try.failures, Try.good_at.is_not(None))))
    assert counts == [(0, False), (0, True), (FREE, False)]  # pair, browser, and the place, which keeps the wrong ones


@pytest.fixture
def still(monkeypatch: pytest.MonkeyPatch) -> None:
    """The gate's clock stands still, so that a slow machine does not wait the first delays out."""
    moment = datetime.now(UTC)
    monkeypatch.setattr(gate, "now", lambda: moment)


def test_tries_at_the_same_time_are_all_counted(guarded: FastAPI, still: None) -> None:
    def attempt(_: int) -> int:
        http = TestClient(guarded, base_url=ORIGIN, follow_redirects=False)
        return http.post("/login", data={"name": "counter", "password": "wrong words here"}).status_code

    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(attempt, range(16)))
    assert codes.count(401) == FREE
    assert codes.count(429) == 16 - FREE


def test_delay_grows_to_a_limit() -> None:
    """Known answers: none for five, then 1, 2, 4 s… up to a quarter of an hour."""
    waits = [wait_s(failures, NOON, NOON) for failures in range(20)]
    assert waits[:9] == [0, 0, 0, 0, 0, 1, 2, 4, 8]
    assert waits == sorted(waits)
    assert waits[-1] == PAIR.longest_s == wait_s(10_000, NOON, NOON)
    assert wait_s(6, NOON, NOON + timedelta(seconds=1.5)) == 1
    assert wait_s(6, NOON, NOON + timedelta(seconds=2)) == 0


def test_clock_set_back_makes_nobody_wait_for_long() -> None:
    """Tries that lie a year ahead, by a wrong clock, count no more; seconds ahead are another host's clock."""
    assert wait_s(7, NOON + timedelta(days=365), NOON) == 0
    assert wait_s(7, NOON + timedelta(seconds=3), NOON) == wait_s(7, NOON, NOON) == 4


@pytest.mark.parametrize(
    ("address", "place"),
    [
        ("10.0.0.7", "10.0.0.7"),
        ("::ffff:10.0.0.7", "10.0.0.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
        ("testclient", "testclient"),
        ("", ""),
    ],
)
def test_place_is_an_address_or_the_network_of_one_customer(address: str, place: str) -> None:
    """RFC 6177: a site gets many networks of 64 bits; whoever has one has all addresses in it."""
    assert place_of(address) == place


def knocks(guarded: FastAPI, name: str, place: str, password: str = "wrong words here", known: str = "") -> int:
    """Status of one try from some place."""
    try:
        gate.log_in(guarded.state.house, name, password, Knock(place, known))
    except Problem as problem:
        return problem.status
    return 200


def test_stranger_who_tries_does_not_keep_the_owner_out(guarded: FastAPI, still: None) -> None:
    """From one place: it alone waits. From many: others wait, but not long, and a browser that is known not at all."""
    known = gate.log_in(guarded.state.house, "technician", PASSWORD, Knock("10.0.0.1")).known
    assert [knocks(guarded, "technician", "10.9.9.9") for _ in range(FREE + 1)] == [401] * FREE + [429]
    assert knocks(guarded, "technician", "10.0.0.1", PASSWORD) == 200
    many = [knocks(guarded, "technician", f"10.1.{number}.1") for number in range(NAME.free + 1)]
    assert many == [401] * NAME.free + [429]
    assert knocks(guarded, "technician", "10.0.0.2", PASSWORD) == 429
    assert knocks(guarded, "technician", "10.0.0.2", PASSWORD, known) == 200
    assert knocks(guarded, "technician", "10.0.0.2", PASSWORD, "x" * len(known)) == 429
    long_ago(guarded, seconds=NAME.longest_s)
    assert knocks(guarded, "technician", "10.0.0.2", PASSWORD) == 200


def test_known_browser_has_a_delay_of_its_own(guarded: FastAPI, still: None) -> None:
    """A stolen phone is known, too; and it opens nothing by that alone."""
    known = gate.log_in(guarded.state.house, "technician", PASSWORD, Knock("10.0.0.1")).known
    tries = [knocks(guarded, "technician", "10.9.9.9", known=known) for _ in range(FREE + 1)]
    assert tries == [401] * FREE + [429]
    assert knocks(guarded, "technician", "10.9.9.9") == 401


def test_one_place_that_tries_many_names_has_to_wait(guarded: FastAPI, still: None) -> None:
    """One common password on every name; an own account does not wipe the count out."""
    for number in range(PLACE.free):
        assert knocks(guarded, f"name {number}", "10.9.9.9") == 401
        if number % 10 == 5:
            assert knocks(guarded, "trainer", "10.9.9.9", PASSWORD) == 200
    assert knocks(guarded, "counter", "10.9.9.9") == 429
    assert knocks(guarded, "counter", "10.9.9.8") == 401
    long_ago(guarded, hours=1, seconds=1)
    assert knocks(guarded, "counter", "10.9.9.9") == 401


def test_counts_are_swept_after_a_day_and_known_browsers_are_not(guarded: FastAPI) -> None:
    known = gate.log_in(guarded.state.house, "technician", PASSWORD, Knock("10.0.0.1")).known
    for number in range(30):
        knocks(guarded, f"name {number}", f"10.9.9.{number}")
    long_ago(guarded, days=1, seconds=1)
    knocks(guarded, "nobody", "10.0.0.3")
    with guarded.state.house.session(writes=False) as session:
        rows = session.scalars(select(Try)).all()
    assert len(rows) == 4  # three counts of the last try, and the browser
    assert knocks(guarded, "technician", "10.0.0.1", PASSWORD, known) == 200


@pytest.mark.on_both
def test_processes_that_share_a_database_count_together(settings: Settings, still: None) -> None:
    """Two services on one database, tries at both at the same time."""
    quick = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    shared = settings.model_copy(update={"accounts": True})
    with TestClient(create_app(shared)) as one, TestClient(create_app(shared)) as two:
        houses = [http.app.state.house for http in (one, two)]  # type: ignore[attr-defined]
        with houses[0].session() as session:
            accounts.create(session, quick, "test", "ada", "technician", PASSWORD)
            session.commit()

        def attempt(number: int) -> int:
            name = "ada" if number % 4 < 2 else "nobody"
            try:
                gate.log_in(houses[number % 2], name, "wrong words here", Knock("10.0.0.1"))
            except Problem as problem:
                return problem.status
            return 200

        with ThreadPoolExecutor(6) as pool:
            codes = list(pool.map(attempt, range(24)))
    assert codes.count(401) == 2 * FREE
    assert codes.count(429) == 24 - 2 * FREE


def test_hash_of_old_parameters_is_made_anew(guarded: FastAPI, browser: LogIn) -> None:
    stronger = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    guarded.state.house = replace(guarded.state.house, passwords=Passwords(stronger))
    browser("technician")
    with guarded.state.house.session(writes=False) as session:
        kept = session.scalar(select(Account.password).where(Account.name == "technician"))
    assert "m=16,t=2" in kept


def test_nobodys_hash_is_reckoned_too() -> None:
    """An unknown name must cost the same work: its hash has the parameters of a real one."""
    passwords = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    assert passwords.fits("", "of no account") is False
    assert not passwords.is_old(passwords._nobodys)


def test_log_in_ends_by_log_out_time_and_deactivation(browser: LogIn, guarded: FastAPI) -> None:
    house = guarded.state.house
    one, two, three = browser("technician"), browser("counter"), browser("trainer")
    out = one.http.post("/logout")
    assert (out.status_code, out.headers["location"]) == (303, "/login")
    with house.session() as session:
        trainer = session.scalar(select(Account.id).where(Account.name == "trainer"))
        session.execute(update(Login).where(Login.account_id == trainer).values(ends_at=datetime.now(UTC)))
        counter = session.scalar(select(Account).where(Account.name == "counter"))
        counter.active = False
        session.commit()
    for left in (one, two, three):
        assert left.http.get("/api/v1/me").status_code == 401


def test_log_in_ends_when_it_is_not_used(browser: LogIn, guarded: FastAPI) -> None:
    """Idle for the setting's minutes; each use, noted every ten minutes, lets it go on, up to its absolute end."""
    mine, house = browser("technician"), guarded.state.house
    idle = timedelta(minutes=house.settings.idle_minutes)

    def last_used(ago: timedelta) -> None:
        with house.session() as session:
            past = datetime.now(UTC) - ago
            session.execute(update(Login).values(seen_at=past, created_at=past))
            session.commit()

    last_used(idle - timedelta(minutes=1))
    assert mine.http.get("/api/v1/me").status_code == 200
    with house.session(writes=False) as session:
        (seen,) = session.scalars(select(Login.seen_at))
    assert datetime.now(UTC) - seen < timedelta(minutes=1)
    last_used(idle + timedelta(minutes=1))
    assert mine.http.get("/api/v1/me").status_code == 401
    assert mine.http.get("/api/v1/me").status_code == 401


def test_new_log_in_ends_the_one_that_the_browser_held(browser: LogIn, anybody: TestClient) -> None:
    """Neither a cookie that was planted nor the one before is worth anything afterwards."""
    mine = browser("technician")
    before = mine.http.cookies["wearvision"]
    mine.http.post("/login", data={"name": "counter", "password": PASSWORD})
    assert mine.http.get("/api/v1/me").json()["role"] == "counter"
    assert mine.http.cookies["wearvision"] != before
    anybody.cookies["wearvision"] = before
    assert anybody.get("/api/v1/me").status_code == 401
    planted = "p" * len(before)
    stranger = TestClient(anybody.app, base_url=ORIGIN, cookies={"wearvision": planted})
    stranger.post("/login", data={"name": "technician", "password": PASSWORD})
    thief = TestClient(anybody.app, base_url=ORIGIN, cookies={"wearvision": planted})
    assert thief.get("/api/v1/me").status_code == 401


def test_log_out_everywhere(browser: LogIn) -> None:
    one, two, other = browser("technician"), browser("technician"), browser("counter")
    assert "2 browsers are logged in as you" in one.http.get("/account").text
    out = one.http.post("/account/logins/end")
    assert (out.status_code, out.headers["location"]) == (303, "/login")
    assert out.headers["clear-site-data"] == '"cache"'
    assert {one.http.get("/api/v1/me").status_code, two.http.get("/api/v1/me").status_code} == {401}
    assert other.http.get("/api/v1/me").status_code == 200
    again = browser("technician")
    assert again.http.delete("/api/v1/logins").status_code == 204
    assert again.http.get("/api/v1/me").status_code == 401


def test_token_of_an_ended_account_does_not_come_back_with_it(
    browser: LogIn, as_role: Callable[..., TestClient], anybody: TestClient
) -> None:
    """A token lost with a phone: ending the account revokes it for good."""
    token = browser("technician").http.post("/api/v1/tokens", json={"name": "x", "scopes": ["photos:read"]}).json()
    bearer = {"Authorization": f"Bearer {token['token']}"}
    admin = as_role("administrator")
    ids = {one["name"]: one["id"] for one in admin.get("/api/v1/accounts").json()["items"]}
    for active in (False, True):
        assert admin.patch(f"/api/v1/accounts/{ids['technician']}", json={"active": active}).status_code == 200
        assert anybody.get("/api/v1/me", headers=bearer).status_code == 401


def test_stolen_cookie_is_worth_nothing_after_log_out(browser: LogIn, anybody: TestClient) -> None:
    mine = browser("technician")
    cookie = mine.http.cookies["wearvision"]
    mine.http.post("/logout")
    anybody.cookies["wearvision"] = cookie
    assert anybody.get("/api/v1/me").status_code == 401


def test_each_log_in_has_a_cookie_of_its_own(browser: LogIn) -> None:
    cookies = {browser("technician").http.cookies["wearvision"] for _ in range(3)}
    assert len(cookies) == 3
    assert all(len(cookie) >= 43 for cookie in cookies)  # 256 bits in base 64


def test_change_of_password_ends_other_log_ins_only(browser: LogIn, anybody: TestClient) -> None:
    here, elsewhere = browser("technician"), browser("technician")
    fresh = "quite other plain words"
    wrong = here.http.post("/account/password", data={"current": "x", "password": fresh, "again": fresh})
    assert wrong.status_code == 422
    assert (
        here.http.post("/account/password", data={"current": PASSWORD, "password": fresh, "again": "z"}).status_code
        == 422
    )
    done = here.http.post("/account/password", data={"current": PASSWORD, "password": fresh, "again": fresh})
    assert done.status_code == 303
    assert here.http.get("/api/v1/me").status_code == 200
    assert elsewhere.http.get("/api/v1/me").status_code == 401
    assert anybody.post("/login", data={"name": "technician", "password": PASSWORD}).status_code == 401
    assert anybody.post("/login", data={"name": "technician", "password": fresh}).status_code == 303


@pytest.mark.parametrize("token", ["", "0" * 64, "\u00e9"])
def test_unsafe_request_by_cookie_needs_the_forms_token(browser: LogIn, token: str) -> None:
    mine = browser("technician")
    headers = {"X-CSRF": token.encode()}
    answer = mine.http.post("/api/v1/machines", json={"identifier": "H-1"}, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (403, "forged")


def test_forms_token_is_taken_as_field_too(browser: LogIn) -> None:
    mine = browser("technician")
    del mine.http.headers["X-CSRF"]
    assert mine.http.post("/machines", data={"identifier": "H-1"}).status_code == 403
    assert mine.http.post("/machines", data={"identifier": "H-1", "csrf": mine.csrf}).status_code == 303
    upload = {"file": ("a.txt", b"no photo", "text/plain")}
    assert mine.http.post("/api/v1/photos", files=upload).status_code == 403
    assert mine.http.post("/api/v1/photos", files=upload, data={"csrf": mine.csrf}).json()["code"] == "unreadable-photo"


def test_forms_token_of_another_log_in_is_none(browser: LogIn) -> None:
    mine, other = browser("technician"), browser("technician")
    answer = mine.http.post("/api/v1/machines", json={"identifier": "H-1"}, headers={"X-CSRF": other.csrf})
    assert answer.status_code == 403


@pytest.mark.parametrize(
    "said",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:81"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_page_elsewhere_cannot_log_anybody_in(anybody: TestClient, said: dict[str, str]) -> None:
    answer = anybody.post("/login", data={"name": "technician", "password": PASSWORD}, headers=said)
    assert (answer.status_code, answer.json()["code"]) == (403, "forged")


def test_log_in_leads_nowhere_else(anybody: TestClient) -> None:
    for address in ("//evil.example", "https://evil.example", "/\\evil.example", "/a\r\nSet-Cookie: b=c", "\\evil"):
        entered = {"name": "technician", "password": PASSWORD, "next": address}
        assert anybody.post("/login", data=entered).headers["location"] == "/"


def test_page_without_log_in_leads_to_it_and_back(anybody: TestClient) -> None:
    answer = anybody.get("/machines", headers={"Accept": "text/html"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/login?next=%2Fmachines")
    assert 'value="/machines"' in anybody.get(answer.headers["location"]).text


def test_token_speaks_for_its_scopes_only(browser: LogIn, anybody: TestClient) -> None:
    http = browser("technician").http
    issued = http.post("/api/v1/tokens", json={"name": "reader", "scopes": ["machines:read"], "days": 1})
    assert issued.status_code == 201
    assert issued.headers["cache-control"] == "no-store"
    bearer = {"Authorization": f"Bearer {issued.json()['token']}"}
    assert re.fullmatch(r"wvk_[\w-]{43}", issued.json()["token"])
    assert anybody.get("/api/v1/machines", headers=bearer).status_code == 200
    assert anybody.post("/api/v1/machines", json={"identifier": "H"}, headers=bearer).status_code == 403
    assert anybody.get("/api/v1/grades", headers=bearer).status_code == 403
    assert (
        anybody.post("/api/v1/tokens", json={"name": "y", "scopes": ["machines:read"]}, headers=bearer).status_code
        == 403
    )
    listed = http.get("/api/v1/tokens").json()["items"]
    assert "token" not in listed[0]
    assert listed[0]["used_at"] is not None
    assert http.delete(f"/api/v1/tokens/{listed[0]['id']}").status_code == 204
    refused = anybody.get("/api/v1/machines", headers=bearer)
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"] == 'Bearer error="invalid_token"'  # RFC 6750, 3


def test_token_needs_no_forms_token_and_writes(browser: LogIn, anybody: TestClient) -> None:
    http = browser("technician").http
    token = http.post("/api/v1/tokens", json={"name": "w", "scopes": ["machines:write"]}).json()["token"]
    answer = anybody.post("/api/v1/machines", json={"identifier": "H"}, headers={"Authorization": f"bearer {token}"})
    assert answer.status_code == 201


def test_token_has_no_more_than_its_role(browser: LogIn) -> None:
    trainer = browser("trainer").http
    for scopes in (["photos:write"], ["accounts:manage"], ["account:own"], [], ["anything"]):
        assert trainer.post("/api/v1/tokens", json={"name": "x", "scopes": scopes}).status_code == 422


def test_token_loses_what_its_role_loses(browser: LogIn, anybody: TestClient, guarded: FastAPI) -> None:
    http = browser("technician").http
    token = http.post("/api/v1/tokens", json={"name": "w", "scopes": ["machines:write"]}).json()["token"]
    with guarded.state.house.session() as session:
        session.execute(update(Account).where(Account.name == "technician").values(role="trainer"))
        session.commit()
    bearer = {"Authorization": f"Bearer {token}"}
    assert anybody.post("/api/v1/machines", json={"identifier": "H"}, headers=bearer).status_code == 403


def test_token_ends_in_time(browser: LogIn, anybody: TestClient, guarded: FastAPI) -> None:
    token = (
        browser("trainer").http.post("/api/v1/tokens", json={"name": "x", "scopes": ["photos:read"]}).json()["token"]
    )
    with guarded.state.house.session() as session:
        session.execute(update(Token).values(ends_at=datetime.now(UTC)))
        session.commit()
    assert anybody.get("/api/v1/me", headers={"Authorization": f"Bearer {token}"}).status_code == 401


def test_nobodys_token_is_not_revoked_by_somebody_else(browser: LogIn) -> None:
    mine = browser("technician").http.post("/api/v1/tokens", json={"name": "x", "scopes": ["photos:read"]}).json()
    assert browser("technician-2").http.delete(f"/api/v1/tokens/{mine['id']}").status_code == 404


def test_token_by_the_page_is_shown_once(browser: LogIn) -> None:
    mine = browser("technician")
    made = mine.http.post(
        "/account/tokens", data={"name": "office", "days": "30", "scopes": ["photos:read", "grades:read"]}
    )
    token = re.search(r"wvk_[\w-]{43}", made.text)
    assert token
    assert made.headers["cache-control"] == "private, no-store"
    again = mine.http.get("/account").text
    assert token[0] not in again
    assert "grades:read, photos:read" in again
    revoke = re.search(r'action="(/account/tokens/[^"]+/revoke)"', again)
    assert revoke
    assert mine.http.post(revoke[1]).status_code == 303
    assert "office" not in mine.http.get("/account").text


def test_form_sent_after_the_session_ended_leads_back_to_its_page(anybody: TestClient) -> None:
    said = {"Accept": "text/html", "Referer": "http://127.0.0.1/returns/new"}
    answer = anybody.post("/returns/new", headers=said, data={"part": "coupler"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/login?next=%2Freturns%2Fnew")
    elsewhere = anybody.post("/returns/new", headers=said | {"Referer": "http://evil.example/returns/new"}, data={})
    assert elsewhere.headers["location"] == "/login?next=%2F"
