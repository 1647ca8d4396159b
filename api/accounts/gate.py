"""Tells who is asking, by cookie or token; without accounts it is always the one person at this machine."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, cast

from fastapi import Request, Response
from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from wearvision_api.accounts import delay, secrets
from wearvision_api.accounts.delay import Knock, place_of
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
"""The last use of a token or log-in is written this often; a write at each request would wait for the disk."""
WRONG = "Name or password is wrong."


def ensure_local(session: Session) -> None:
    """Makes the record that local work belongs to."""
    if session.get(Account, LOCAL_ID) is None:
        session.add(Account(id=LOCAL_ID, name=LOCAL.name, role=LOCAL.role))
        session.commit()


def cookie_name(settings: Settings) -> str:
    """``__Host-`` binds a cookie to TLS and to this very host (RFC 6265bis); plain loopback cannot have it."""
    return "__Host-wearvision" if settings.secure else "wearvision"


def browser_cookie(settings: Settings) -> str:
    """By which a browser is known that has logged in before; it opens nothing."""
    return f"{cookie_name(settings)}-known"


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
        moment = now()
        if login is None or login.ends_at <= moment or not login.account.active:
            return None
        if login.ends_at - moment > timedelta(hours=house.settings.session_hours + 1):
            return None  # the clock was set back since: it would hold for as long again
        used_at = login.seen_at or login.created_at
        if moment - used_at > timedelta(minutes=house.settings.idle_minutes):
            return None
        who = _caller(login.account, csrf=secrets.form_token(cookie))
        is_noted = moment - used_at < USED_AGAIN
    if request.method not in SAFE and not secrets.same(form_token, who.csrf):
        raise Problem("forged", "The form's token is missing or old; open the page again, then send it.")
    if not is_noted:
        with house.session() as session:
            session.execute(update(Login).where(Login.id == secrets.digest(cookie)).values(seen_at=moment))
            session.commit()
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


def knock_of(request: Request, settings: Settings) -> Knock:
    """Where a request comes from, as the log-in counts tries."""
    known = request.cookies.get(browser_cookie(settings), "")
    return Knock(
        place_of(request.client.host if request.client else ""),
        known if len(known) == secrets.LENGTH else "",
        request.cookies.get(cookie_name(settings), ""),
    )


@dataclass(frozen=True, slots=True)
class LoggedIn:
    """A fresh log-in.

    Attributes:
        cookie: Its secret, to be sent once.
        account: Whose it is.
        known: Secret by which the browser is known the next time.
    """

    cookie: str
    account: str
    known: str


def log_in(house: House, name: str, password: str, knock: Knock) -> LoggedIn:
    """Checks name and password and opens a log-in; the one that the browser held ends.

    A try counts as wrong from the start and is taken back if it was right: many tries at the same time are all counted.

    Raises:
        Problem: name or password is wrong (the same words and the same work for both), or there were too many tries.
    """
    kept, account_id = _count(house, name, knock)
    if not house.passwords.fits(kept, password):
        raise Problem("not-logged-in", WRONG)
    cookie, known = secrets.fresh(), knock.known or secrets.fresh()
    with house.session() as session:
        account = session.get_one(Account, account_id, with_for_update=True)
        if account.password != kept or not account.active:
            raise Problem("not-logged-in", WRONG)  # changed while the hash was reckoned
        delay.right(session, account, knock, known, now())
        if house.passwords.is_old(kept):
            account.password = house.passwords.hash(password)
        session.execute(delete(Login).where(or_(Login.ends_at <= now(), Login.id == secrets.digest(knock.login))))
        ends = now() + timedelta(hours=house.settings.session_hours)
        session.add(Login(id=secrets.digest(cookie), account_id=account.id, ends_at=ends))
        session.commit()
    return LoggedIn(cookie, account_id, known)


def _count(house: House, name: str, knock: Knock) -> tuple[str, str]:
    """Counts a try; gives hash and id of the account, empty for a name that nobody has."""
    with house.session() as session:
        account = session.scalar(select(Account).where(Account.name == name).with_for_update())
        if account is not None and (not account.active or not account.password):
            account = None
        seconds = delay.count(session, name, account, knock, now())
        session.commit()
    if seconds:
        raise Problem("too-many", f"Too many wrong tries; wait {seconds} s.", headers={"Retry-After": str(seconds)})
    return (account.password, account.id) if account is not None else ("", "")


def demand_password(house: House, who: Caller, password: str, knock: Knock) -> None:
    """Asks for the password again, before it is changed; wrong tries count as at the log-in.

    Raises:
        Problem: it is wrong, or there were too many tries.
    """
    kept, account_id = _count(house, who.name, knock)
    if account_id != who.id or not house.passwords.fits(kept, password):
        raise Problem("invalid", "The password now in use is another one. Go back and enter it again.")
    with house.session() as session:
        account = session.get_one(Account, who.id, with_for_update=True)
        delay.right(session, account, knock, knock.known, now())
        session.commit()


def log_out(house: House, request: Request) -> None:
    """Ends the log-in that the request's cookie speaks for."""
    cookie = request.cookies.get(cookie_name(house.settings), "")
    with house.session() as session:
        session.execute(delete(Login).where(Login.id == secrets.digest(cookie)))
        session.commit()


def set_cookies(response: Response, settings: Settings, fresh: LoggedIn) -> None:
    """Hands the secrets of a log-in to the browser."""
    for name, secret, lasts_s in (
        (cookie_name(settings), fresh.cookie, settings.session_hours * 3600),
        (browser_cookie(settings), fresh.known, int(delay.KNOWN_FOR.total_seconds())),
    ):
        response.set_cookie(
            name, secret, max_age=lasts_s, path="/", secure=settings.secure, httponly=True, samesite="lax"
        )


def drop_cookie(response: Response, settings: Settings) -> None:
    """Takes the log-in back; the browser stays known."""
    response.delete_cookie(cookie_name(settings), path="/", secure=settings.secure, httponly=True, samesite="lax")
    # What the browser kept of pages and photos goes, too; what waits on the phone lies elsewhere and stays.
    response.headers["Clear-Site-Data"] = '"cache"'
