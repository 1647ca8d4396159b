"""The first administrator, made at the machine itself, where nobody can log in yet."""

from __future__ import annotations

from pydantic import TypeAdapter, ValidationError
from sqlalchemy.orm import Session

from wearvision_api.accounts.gate import LOCAL
from wearvision_api.accounts.passwords import Passwords
from wearvision_api.problems import Problem
from wearvision_api.routes.account_schemas import Name
from wearvision_api.services import accounts
from wearvision_api.settings import Settings
from wearvision_api.store.engine import open_engine
from wearvision_api.store.schema import settle
from wearvision_api.store.tables import Account


def make_administrator(settings: Settings, name: str, password: str) -> bool:
    """Makes an administrator, or sets the password of the one of this name and reopens the account.

    Returns:
        Whether the account is new.

    Raises:
        Problem: the password is soon guessed, or somebody who is no administrator has the name.
    """
    try:
        name = TypeAdapter(Name).validate_python(name)
    except ValidationError as error:
        raise Problem("invalid", "A name has 1 to 80 characters, and no control characters.") from error
    engine = open_engine(settings.database_url)
    try:
        settle(engine, may_migrate=settings.migrate)
        with Session(engine, expire_on_commit=False) as session:
            row = session.scalar(accounts.listed().where(Account.name == name))
            if row is None:
                accounts.create(session, Passwords(), LOCAL.name, name, "administrator", password)
            elif row.role == "administrator":
                row.active = True
                accounts.set_password(session, Passwords(), LOCAL.name, row, password)
            else:
                raise Problem("conflict", f"{name} is a {row.role}; an administrator can change that at /accounts.")
            session.commit()
            return row is None
    finally:
        engine.dispose()
