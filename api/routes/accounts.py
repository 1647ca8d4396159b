"""``/accounts`` for administrators, ``/tokens`` for everybody's own programs."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from wearvision_api.accounts.roles import OWN, Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
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
from wearvision_api.routes.schemas import UUID_FORM, Cursor, Limit, sent
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
def create(house: HouseDep, session: SessionDep, once: OnceDep, body: AccountCreate, who: Manager) -> Response:
    """Makes an account; a retry with the same Idempotency-Key makes no second one."""

    def make() -> dict[str, Any]:
        row = accounts.create(session, house.passwords, who.name, body.name, body.role, body.password)
        return AccountPublic.model_validate(row).plain()

    # Without the password: what is kept of a request is a fast hash of it.
    answer = once.reply(body.model_dump_json(exclude={"password"}), make)
    if answer.replayed and not house.passwords.fits(accounts.find(session, answer.body["id"]).password, body.password):
        raise Problem(
            "key-reused", "The first request with this Idempotency-Key had another password, or it was changed."
        )
    return sent(answer)


@router.patch("/accounts/{account_id}", response_model=AccountPublic, tags=["accounts"], summary="Change an account")
def change(session: SessionDep, account_id: Id, body: AccountUpdate, who: Manager) -> object:
    """Changes the role, ends or reopens the account. The last administrator stays."""
    row = accounts.change(session, who.name, accounts.find(session, account_id), body.role, body.active)
    session.commit()
    return row


@router.put("/accounts/{account_id}/password", status_code=204, tags=["accounts"], summary="Set a password")
def set_password(house: HouseDep, session: SessionDep, account_id: Id, body: PasswordUpdate, who: Manager) -> Response:
    """Sets somebody's password, ends their log-ins and the delay after wrong tries."""
    accounts.set_password(session, house.passwords, who.name, accounts.find(session, account_id), body.password)
    session.commit()
    return Response(status_code=204)


@router.get("/tokens", response_model=TokenPage, tags=["tokens"], summary="Your tokens, newest first")
def tokens(session: SessionDep, who: Own, cursor: Cursor = "", limit: Limit = 50) -> TokenPage:
    """A page of your tokens that are not revoked."""
    rows, following = page(session, accounts.tokens(who), Token, cursor, limit)
    return TokenPage(items=[TokenPublic.model_validate(row) for row in rows], next=following)


@router.post("/tokens", status_code=201, response_model=TokenIssued, tags=["tokens"], summary="Make a token")
def issue(session: SessionDep, response: Response, once: OnceDep, body: TokenCreate, who: Own) -> TokenIssued:
    """Makes a token for a program; it is shown this once. A token cannot make tokens.

    A retry with the same Idempotency-Key makes no second token: it gives the first one a new secret, as long as nobody
    has used it.
    """
    fresh: list[accounts.Issued] = []

    def make() -> dict[str, Any]:
        fresh.append(accounts.issue(session, who, body.name, body.scopes, body.days))
        return {"id": fresh[0].row.id}  # all that is kept: never the secret

    answer = once.reply(body.model_dump_json(), make)
    if answer.replayed:
        issued = accounts.issue_again(session, who, answer.body["id"])
        session.commit()
        response.headers["Idempotency-Replayed"] = "true"
    else:
        issued = fresh[0]
    response.headers["Cache-Control"] = "no-store"
    return TokenIssued(token=issued.secret, **TokenPublic.model_validate(issued.row).model_dump())


@router.delete("/logins", status_code=204, tags=["accounts"], summary="Log out everywhere")
def log_out_everywhere(session: SessionDep, who: Own) -> Response:
    """Ends all of your log-ins, on every machine. Tokens hold until they are revoked."""
    accounts.end_logins(session, who)
    session.commit()
    return Response(status_code=204)


@router.delete("/tokens/{token_id}", status_code=204, tags=["tokens"], summary="Revoke a token")
def revoke(session: SessionDep, token_id: Id, who: Own) -> Response:
    """Ends a token at once."""
    accounts.revoke(session, who, token_id)
    session.commit()
    return Response(status_code=204)
