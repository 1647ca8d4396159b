"""Pages of log-in, of one's own account with its tokens, and of all accounts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy.exc import IntegrityError

from wearvision_api.accounts import gate
from wearvision_api.accounts.passwords import SHORTEST
from wearvision_api.accounts.roles import OWN, ROLES, Caller, scopes_of
from wearvision_api.deps import CallerDep, HouseDep, SessionDep, needs
from wearvision_api.pages.forms import read, seen
from wearvision_api.pages.view import environment, show
from wearvision_api.problems import Problem
from wearvision_api.routes.account_schemas import AccountCreate, AccountUpdate, PasswordUpdate, TokenCreate
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.services import accounts
from wearvision_api.store.tables import Account, Token

router = APIRouter(include_in_schema=False)
Id = Annotated[str, Path(pattern=UUID_FORM)]
Field = Annotated[str, Form(max_length=1000)]
Manager = Annotated[Caller, needs("accounts:manage")]
Own = Annotated[Caller, needs(OWN)]
NEXT = "/"


@dataclass(frozen=True, slots=True)
class LoginContext:
    """The log-in page.

    Attributes:
        next: Address of this service to go to afterwards.
        name: As entered before.
        fault: Why the last try was refused; empty on the first.
    """

    next: str = NEXT
    name: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True)
class AccountContext:
    """One's own account.

    Attributes:
        name: Of the account.
        role: Of the account.
        has_password: Whether there is a log-in at all.
        may_manage: Whether all accounts are shown to this one.
        shortest: Characters of the shortest password.
        scopes: What a token may be given.
        tokens: Those that hold.
        logins: Browsers that are logged in, this one among them.
        secret: Of a token just made; empty otherwise.
    """

    name: str
    role: str
    has_password: bool
    may_manage: bool
    shortest: int
    scopes: tuple[str, ...]
    tokens: tuple[Token, ...]
    logins: int
    secret: str = ""


@dataclass(frozen=True, slots=True)
class AccountsContext:
    """All accounts.

    Attributes:
        accounts: By name.
        roles: That an account can have.
        shortest: Characters of the shortest password.
    """

    accounts: tuple[Account, ...]
    roles: tuple[str, ...]
    shortest: int


def is_ours(address: str) -> bool:
    """Whether an address is a path of this service: a log-in must lead nowhere else."""
    return (
        address.startswith("/")
        and not address.startswith(("//", "/\\"))
        and all(" " < sign < "\x7f" and sign != "\\" for sign in address)
    )


def _login_page(context: LoginContext, status: int = 200, headers: dict[str, str] | None = None) -> HTMLResponse:
    html = environment().get_template("login.html").render(context=context)
    return HTMLResponse(html, status, {"Cache-Control": "no-store"} | (headers or {}))


@router.get("/login", response_model=None)
def login_form(house: HouseDep, next: Annotated[str, Query(max_length=500)] = NEXT) -> Response:
    """The form; where no log-in is asked for, there is nothing to enter."""
    target = next if is_ours(next) else NEXT
    return _login_page(LoginContext(target)) if house.settings.accounts else seen(target)


@router.post("/login", response_model=None)
def login(request: Request, house: HouseDep, name: Field = "", password: Field = "", next: Field = NEXT) -> Response:
    """Logs in."""
    target = next if is_ours(next) else NEXT
    if not house.settings.accounts:
        return seen(target)
    try:
        fresh = gate.log_in(house, name.strip(), password, gate.knock_of(request, house.settings))
    except Problem as problem:
        headers = {key: value for key, value in problem.headers.items() if key == "Retry-After"}
        return _login_page(LoginContext(target, name, problem.detail), problem.status, headers)
    answer = seen(target)
    gate.set_cookies(answer, house.settings, fresh)
    return answer


@router.post("/logout")
def logout(request: Request, house: HouseDep, who: CallerDep) -> RedirectResponse:
    """Logs out. What waits on the phone stays there."""
    gate.log_out(house, request)
    answer = seen("/login")
    gate.drop_cookie(answer, house.settings)
    return answer


def _own_page(request: Request, house: HouseDep, session: SessionDep, who: Caller, secret: str = "") -> HTMLResponse:
    rows = session.scalars(accounts.tokens(who).order_by(Token.created_at.desc())).all()
    context = AccountContext(
        name=who.name,
        role=who.role,
        has_password=house.settings.accounts,
        may_manage=house.settings.accounts and who.may("accounts:manage"),
        shortest=SHORTEST,
        scopes=scopes_of(who.role),
        tokens=tuple(rows),
        logins=accounts.open_logins(session, who.id),
        secret=secret,
    )
    return show(request, who, "account.html", context)


@router.get("/account")
def own(request: Request, house: HouseDep, session: SessionDep, who: Own) -> Response:
    """One's own account."""
    return _own_page(request, house, session, who)


@router.post("/account/password")
def own_password(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Own,
    current: Field = "",
    password: Field = "",
    again: Field = "",
) -> RedirectResponse:
    """Changes one's password; other log-ins end."""
    if password != again:
        raise Problem("invalid", "The two new passwords differ. Go back and enter them again.")
    body = read(PasswordUpdate, {"password": password})
    gate.demand_password(house, who, current, gate.knock_of(request, house.settings))
    row = accounts.find(session, who.id)
    cookie = request.cookies.get(gate.cookie_name(house.settings), "")
    accounts.set_password(session, house.passwords, who.name, row, body.password, keep=cookie)
    session.commit()
    return seen("/account")


@router.post("/account/logins/end")
def end_logins(house: HouseDep, session: SessionDep, who: Own) -> RedirectResponse:
    """Logs out everywhere."""
    accounts.end_logins(session, who)
    session.commit()
    answer = seen("/login")
    gate.drop_cookie(answer, house.settings)
    return answer


@router.post("/account/tokens")
def own_token(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    who: Own,
    name: Field = "",
    days: Field = "",
    scopes: Annotated[list[str] | None, Form(max_length=20)] = None,
) -> Response:
    """Makes a token and shows it, this once."""
    body = read(TokenCreate, {"name": name, "days": days, "scopes": scopes or []})
    issued = accounts.issue(session, who, body.name, body.scopes, body.days)
    session.commit()
    return _own_page(request, house, session, who, issued.secret)


@router.post("/account/tokens/{token_id}/revoke")
def revoke(session: SessionDep, token_id: Id, who: Own) -> RedirectResponse:
    """Ends a token."""
    accounts.revoke(session, who, token_id)
    session.commit()
    return seen("/account#tokens")


@router.get("/accounts")
def listed(request: Request, session: SessionDep, who: Manager) -> Response:
    """All accounts."""
    rows = session.scalars(accounts.listed().order_by(Account.name)).all()
    return show(request, who, "accounts.html", AccountsContext(tuple(rows), ROLES, SHORTEST))


@router.post("/accounts")
def create(
    house: HouseDep, session: SessionDep, who: Manager, name: Field = "", role: Field = "", password: Field = ""
) -> RedirectResponse:
    """Makes an account."""
    body = read(AccountCreate, {"name": name, "role": role, "password": password})
    try:
        accounts.create(session, house.passwords, who.name, body.name, body.role, body.password)
        session.commit()
    except IntegrityError as error:  # the same name at the same time
        raise Problem("conflict", "There is an account of this name already.") from error
    return seen("/accounts")


@router.post("/accounts/{account_id}")
def change(session: SessionDep, account_id: Id, who: Manager, role: Field = "", active: Field = "") -> RedirectResponse:
    """Changes a role, ends or reopens an account."""
    body = read(AccountUpdate, {"role": role, "active": active})
    accounts.change(session, who.name, accounts.find(session, account_id), body.role, body.active)
    session.commit()
    return seen("/accounts")


@router.post("/accounts/{account_id}/password")
def set_password(
    house: HouseDep, session: SessionDep, account_id: Id, who: Manager, password: Field = ""
) -> RedirectResponse:
    """Sets somebody's password."""
    body = read(PasswordUpdate, {"password": password})
    accounts.set_password(session, house.passwords, who.name, accounts.find(session, account_id), body.password)
    session.commit()
    return seen("/accounts")
