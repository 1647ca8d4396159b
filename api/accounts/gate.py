"""Tells who is asking, by cookie or token; without accounts it is always the one person at this machine."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, cast

from fastapi import Request, Response
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from wearvision_api.accounts import secrets
from wearvision_api.accounts.delay import wait_s
from wearvision_api.accounts.roles import Caller, Role
from wearvision_api.problems import Problem
from wearvision_api.settings import Settings
from wearvision_api.store.tables import Account, Login, Token, now

if TYPE_CHECKING:
    from wearvision_api.house import House

LOCAL_ID = "00000000-0000-4000-8000-000000000001"
LOCAL = Caller(LOCAL_ID, "this machine", "administrator")
SAFE = {"GET", "HEAD", "OPTIONS"}
USED_AGAIN = timedelta(minutes=10)
"""A token's last use is written this often; a write for each request would wait for the disk each time."""
WRONG = "Name or password is wrong."


def ensure_local(session: Session) -> None:
    """Makes the record that local work belongs to."""
    if session.get(Account, LOCAL_ID) is None:
        session.add(Account(id=LOCAL_ID, name=LOCAL.name, role=LOCAL.role))
        session.commit()


def cookie_name(settings: Settings) -> str:
    """``__Host-`` binds a cookie to TLS and to this very host (RFC 6265bis); plain loopback cannot have it."""
    return "__Host-wearvision" if settings.secure else "wearvision"


def caller_of(request: Request, house: House, form_token: str) -> Caller | None:
    """Who is asking, or None for somebody who has not logged in.

    Args:
        request: With cookie or token.
        house: The running service.
        form_token: What came with an unsafe request as ``X-CSRF`` or form field ``csrf``.

    Raises:
        Problem: the token is none that holds, or an unsafe request by cookie lacks the form's token.
    """
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        return _by_token(house, token.strip())
    if not house.settings.accounts:
        return LOCAL
    cookie = request.cookies.get(cookie_name(house.settings), "")
    if not cookie:
        return None
    with house.session(writes=False) as session:
        login = session.get(Login, secrets.digest(cookie))
        if login is None or login.ends_at <= now() or not login.account.active:
            return None
        who = _caller(login.account, csrf=secrets.form_token(cookie))
    if request.method not in SAFE and not secrets.same(form_token, who.csrf):
        raise Problem("forged", "The form's token is missing or old; open the page again, then send it.")
    return who


def _caller(account: Account, scopes: frozenset[str] | None = None, csrf: str = "") -> Caller:
    return Caller(account.id, account.name, cast(Role, account.role), scopes, csrf)


def _by_token(house: House, token: str) -> Caller:
    refused = Problem(
        "not-logged-in",
        "The token is unknown, revoked or has ended.",
        headers={"WWW-Authenticate": 'Bearer error="invalid_token"'},
    )
    with house.session(writes=False) as session:
        row = session.scalar(select(Token).where(Token.digest == secrets.digest(token)))
        moment = now()
        if row is None or row.revoked_at is not None or not row.account.active:
            raise refused
        if row.ends_at is not None and row.ends_at <= moment:
            raise refused
        who = _caller(row.account, frozenset(row.scopes))
        is_noted = row.used_at is not None and moment - row.used_at < USED_AGAIN
        token_id = row.id
    if not is_noted:
        with house.session() as session:
            session.get_one(Token, token_id).used_at = moment
            session.commit()
    return who


@dataclass(frozen=True, slots=True)
class LoggedIn:
    """A fresh log-in.

    Attributes:
        cookie: Its secret, to be sent once.
        account: Whose it is.
    """

    cookie: str
    account: str


def log_in(house: House, name: str, password: str) -> LoggedIn:
    """Checks name and password and opens a log-in.

    A try counts as wrong from the start and is taken back if it was right: many tries at the same time are all counted.

    Raises:
        Problem: name or password is wrong (the same words and the same work for both), or there were too many tries.
    """
    kept, account_id = _count(house, name)
    if not house.passwords.fits(kept, password):
        raise Problem("not-logged-in", WRONG)
    cookie = secrets.fresh()
    with house.session() as session:
        account = session.get_one(Account, account_id, with_for_update=True)
        if account.password != kept or not account.active:
            raise Problem("not-logged-in", WRONG)  # changed while the hash was reckoned
        account.failures, account.failed_at = 0, None
        if house.passwords.is_old(kept):
            account.password = house.passwords.hash(password)
        session.execute(delete(Login).where(Login.ends_at <= now()))
        ends = now() + timedelta(hours=house.settings.session_hours)
        session.add(Login(id=secrets.digest(cookie), account_id=account.id, ends_at=ends))
        session.commit()
    return LoggedIn(cookie, account_id)


def _count(house: House, name: str) -> tuple[str, str]:
    """Counts a try; gives hash and id of the account, empty for a name that nobody has."""
    with house.session() as session:
        account = session.scalar(select(Account).where(Account.name == name).with_for_update())
        if account is None or not account.active or not account.password:
            _demand_patience(house.strangers.wait_s(name, now()))
            return "", ""
        _demand_patience(wait_s(account.failures, account.failed_at, now()))
        account.failures, account.failed_at = account.failures + 1, now()
        session.commit()
        return account.password, account.id


def _demand_patience(seconds: int) -> None:
    if seconds:
        raise Problem("too-many", f"Too many wrong tries; wait {seconds} s.", headers={"Retry-After": str(seconds)})


def demand_password(house: House, who: Caller, password: str) -> None:
    """Asks for the password again, before it is changed; wrong tries count as at the log-in.

    Raises:
        Problem: it is wrong, or there were too many tries.
    """
    kept, account_id = _count(house, who.name)
    if account_id != who.id or not house.passwords.fits(kept, password):
        raise Problem("invalid", "The password now in use is another one. Go back and enter it again.")
    with house.session() as session:
        account = session.get_one(Account, who.id)
        account.failures, account.failed_at = 0, None
        session.commit()


def log_out(house: House, request: Request) -> None:
    """Ends the log-in that the request's cookie speaks for."""
    cookie = request.cookies.get(cookie_name(house.settings), "")
    with house.session() as session:
        session.execute(delete(Login).where(Login.id == secrets.digest(cookie)))
        session.commit()


def set_cookie(response: Response, settings: Settings, secret: str) -> None:
    """Hands the log-in's secret to the browser."""
    response.set_cookie(
        cookie_name(settings),
        secret,
        max_age=settings.session_hours * 3600,
        path="/",
        secure=settings.secure,
        httponly=True,
        samesite="lax",
    )


def drop_cookie(response: Response, settings: Settings) -> None:
    """Takes it back."""
    response.delete_cookie(cookie_name(settings), path="/", secure=settings.secure, httponly=True, samesite="lax")
