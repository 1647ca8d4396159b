"""``/accounts`` for administrators, ``/tokens`` for everybody's own programs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response
from sqlalchemy.exc import IntegrityError

from wearvision_api.accounts.roles import OWN, Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.problems import Problem
from wearvision_api.routes.account_schemas import (
    AccountCreate,
    AccountPage,
    AccountPublic,
    AccountUpdate,
    PasswordUpdate,
    TokenCreate,
    TokenIssued,
    TokenPage,
    TokenPublic,
)
from wearvision_api.routes.schemas import UUID_FORM, Cursor, Limit
from wearvision_api.services import accounts
from wearvision_api.store.paging import page
from wearvision_api.store.tables import Account, Token

router = APIRouter()
Id = Annotated[str, Path(pattern=UUID_FORM)]
Manager = Annotated[Caller, needs("accounts:manage")]
Own = Annotated[Caller, needs(OWN)]


@router.get("/accounts", response_model=AccountPage, tags=["accounts"], summary="Accounts, newest first")
def listed(session: SessionDep, who: Manager, cursor: Cursor = "", limit: Limit = 50) -> AccountPage:
    """A page of accounts."""
    rows, following = page(session, accounts.listed(), Account, cursor, limit)
    return AccountPage(items=[AccountPublic.model_validate(row) for row in rows], next=following)


@router.post("/accounts", status_code=201, response_model=AccountPublic, tags=["accounts"], summary="Make an account")
def create(house: HouseDep, session: SessionDep, body: AccountCreate, who: Manager) -> object:
    """Makes an account. Names are unique: a retry is answered 409 and makes no second one."""
    try:
        row = accounts.create(session, house.passwords, body.name, body.role, body.password)
        session.commit()
    except IntegrityError as error:  # the same name at the same time
        raise Problem("conflict", "There is an account of this name already.") from error
    return row


@router.patch("/accounts/{account_id}", response_model=AccountPublic, tags=["accounts"], summary="Change an account")
def change(session: SessionDep, account_id: Id, body: AccountUpdate, who: Manager) -> object:
    """Changes the role, ends or reopens the account. The last administrator stays."""
    row = accounts.change(session, accounts.find(session, account_id), body.role, body.active)
    session.commit()
    return row


@router.put("/accounts/{account_id}/password", status_code=204, tags=["accounts"], summary="Set a password")
def set_password(house: HouseDep, session: SessionDep, account_id: Id, body: PasswordUpdate, who: Manager) -> Response:
    """Sets somebody's password, ends their log-ins and the delay after wrong tries."""
    accounts.set_password(session, house.passwords, accounts.find(session, account_id), body.password)
    session.commit()
    return Response(status_code=204)


@router.get("/tokens", response_model=TokenPage, tags=["tokens"], summary="Your tokens, newest first")
def tokens(session: SessionDep, who: Own, cursor: Cursor = "", limit: Limit = 50) -> TokenPage:
    """A page of your tokens that are not revoked."""
    rows, following = page(session, accounts.tokens(who), Token, cursor, limit)
    return TokenPage(items=[TokenPublic.model_validate(row) for row in rows], next=following)


@router.post("/tokens", status_code=201, response_model=TokenIssued, tags=["tokens"], summary="Make a token")
def issue(session: SessionDep, response: Response, body: TokenCreate, who: Own) -> TokenIssued:
    """Makes a token for a program; it is shown this once. A token cannot make tokens."""
    issued = accounts.issue(session, who, body.name, body.scopes, body.days)
    session.commit()
    response.headers["Cache-Control"] = "no-store"
    return TokenIssued(token=issued.secret, **TokenPublic.model_validate(issued.row).model_dump())


@router.delete("/tokens/{token_id}", status_code=204, tags=["tokens"], summary="Revoke a token")
def revoke(session: SessionDep, token_id: Id, who: Own) -> Response:
    """Ends a token at once."""
    accounts.revoke(session, who, token_id)
    session.commit()
    return Response(status_code=204)
