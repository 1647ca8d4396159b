"""Accounts and tokens: made, changed, ended, each step on record. There is always an administrator who can log in.

Who may decide and who signed are account names, so the record tells how each account came about.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import Select, delete, func, select, update
from sqlalchemy.orm import Session

from wearvision_api.accounts import secrets
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.passwords import Passwords, demand_good
from wearvision_api.accounts.roles import Caller, Role, scopes_of
from wearvision_api.problems import Problem
from wearvision_api.record.heads import ITSELF
from wearvision_api.record.ledger import append
from wearvision_api.store.tables import Account, Login, Token, new_id, now


def listed() -> Select[Account]:
    """All accounts, without the one that work without log-in belongs to."""
    return select(Account).where(Account.id != LOCAL_ID)


def find(session: Session, account_id: str) -> Account:
    """An account. Raises Problem where there is none."""
    row = session.scalar(listed().where(Account.id == account_id).with_for_update())
    if row is None:
        raise Problem("not-found", f"There is no account {account_id}.")
    return row


def create(session: Session, passwords: Passwords, by: str, name: str, role: Role, password: str) -> Account:
    """Makes an account. The caller commits.

    Args:
        session: Open, for writing.
        passwords: Hashes the password.
        by: Account name of who makes it.
        name: Of the new one.
        role: Of the new one.
        password: Of the new one.

    Raises:
        Problem: the password is soon guessed, or the name is in use or looks like one in use.
    """
    demand_good(password, name)
    kept = passwords.hash(password)
    names = (ITSELF, *session.scalars(select(Account.name)))  # few, and case folding differs between databases
    if seen_as(name) in map(seen_as, names):
        raise Problem(
            "conflict", f"There is an account {name!r} already, or one that looks like it; choose another name."
        )
    row = Account(id=new_id(), name=name, role=role, password=kept, active=True, created_at=now(), failures=0)
    session.add(row)
    session.flush()
    append(session, by, "made", "account", row.id, after={"name": name, "role": role})
    return row


def seen_as(name: str) -> str:
    """What a name looks like: the record names people by it, so that no two may look the same."""
    return unicodedata.normalize("NFKC", name).casefold()


def change(session: Session, by: str, row: Account, role: Role | None, active: bool | None) -> Account:
    """Changes the role, or ends or reopens an account; log-ins and tokens end with it. The caller commits.

    Raises:
        Problem: nobody would be left who may manage accounts.
    """
    keeps = (role or row.role) == "administrator" and (row.active if active is None else active)
    if row.role == "administrator" and row.active and not keeps:
        query = listed().where(Account.role == "administrator", Account.active, Account.password != "")
        others = [one for one in session.scalars(query.with_for_update()) if one.id != row.id]
        if not others:
            raise Problem("conflict", "This is the last administrator; make another one first.")
    before = {"role": row.role, "active": row.active}
    row.role = role or row.role
    if active is not None:
        row.active = active
    if not row.active:
        session.execute(delete(Login).where(Login.account_id == row.id))
        held = update(Token).where(Token.account_id == row.id, Token.revoked_at.is_(None))
        session.execute(held.values(revoked_at=now()))
    session.flush()
    after = {"role": row.role, "active": row.active}
    if after != before:
        append(session, by, "changed", "account", row.id, before=before, after={"name": row.name, **after})
    return row


def set_password(session: Session, passwords: Passwords, by: str, row: Account, password: str, keep: str = "") -> None:
    """Sets a password and ends the account's log-ins. The caller commits.

    Args:
        session: Open, for writing.
        passwords: Hashes them.
        by: Account name of who sets it.
        row: Whose it is.
        password: The new one.
        keep: Secret of the one log-in that goes on.

    Raises:
        Problem: the password is soon guessed.
    """
    demand_good(password, row.name)
    row.password, row.failures, row.failed_at = passwords.hash(password), 0, None
    session.execute(delete(Login).where(Login.account_id == row.id, Login.id != secrets.digest(keep)))
    session.flush()
    append(session, by, "set the password of", "account", row.id, after={"name": row.name})


def open_logins(session: Session, account_id: str) -> int:
    """How many browsers hold a log-in of an account."""
    query = select(func.count(Login.id)).where(Login.account_id == account_id, Login.ends_at > now())
    return session.scalar(query) or 0


def end_logins(session: Session, who: Caller) -> None:
    """Ends all of one's own log-ins, on every machine. The caller commits."""
    session.execute(delete(Login).where(Login.account_id == who.id))
    session.flush()
    append(session, who.name, "logged out everywhere", "account", who.id)


@dataclass(frozen=True, slots=True)
class Issued:
    """A fresh token.

    Attributes:
        row: What is kept.
        secret: What the program sends; shown once.
    """

    row: Token
    secret: str


def issue(session: Session, who: Caller, name: str, scopes: Sequence[str], days: int | None) -> Issued:
    """Makes a token for a program. The caller commits.

    Args:
        session: Open, for writing.
        who: Whose it is.
        name: What it is for.
        scopes: Actions that it may do, at least one.
        days: Until it ends; None: until revoked.

    Raises:
        Problem: a scope that the role has not.
    """
    allowed = scopes_of(who.role)
    foreign = sorted(set(scopes) - set(allowed))
    if foreign or not scopes:
        said = f"Your role has no {', '.join(foreign)}" if foreign else "A token needs a scope"
        raise Problem("invalid", f"{said}; there are {', '.join(allowed)}.")
    secret = secrets.fresh_token()
    row = Token(
        id=new_id(),
        digest=secrets.digest(secret),
        account_id=who.id,
        name=name,
        scopes=sorted(set(scopes)),
        created_at=now(),
        ends_at=now() + timedelta(days=days) if days is not None else None,
    )
    session.add(row)
    session.flush()
    ends = row.ends_at.isoformat() if row.ends_at else None
    append(session, who.name, "made", "token", row.id, after={"name": name, "scopes": row.scopes, "ends_at": ends})
    return Issued(row, secret)


def issue_again(session: Session, who: Caller, token_id: str) -> Issued:
    """A new secret for a token whose first one never arrived: no answer with a secret is ever kept. The caller commits.

    Raises:
        Problem: it was revoked, or used, so that its secret did arrive.
    """
    row = session.scalar(tokens(who).where(Token.id == token_id).with_for_update())
    if row is None or row.used_at is not None:
        raise Problem("conflict", "The token was made, and used or revoked since. Make another one with a new key.")
    secret = secrets.fresh_token()
    row.digest = secrets.digest(secret)
    session.flush()
    append(session, who.name, "made again", "token", row.id)
    return Issued(row, secret)


def tokens(who: Caller) -> Select[Token]:
    """One's own tokens that are not revoked."""
    return select(Token).where(Token.account_id == who.id, Token.revoked_at.is_(None))


def revoke(session: Session, who: Caller, token_id: str) -> None:
    """Ends one's own token at once. The caller commits. Raises Problem where there is none."""
    row = session.scalar(tokens(who).where(Token.id == token_id))
    if row is None:
        raise Problem("not-found", f"You have no token {token_id}.")
    row.revoked_at = now()
    session.flush()
    append(session, who.name, "revoked", "token", row.id)
