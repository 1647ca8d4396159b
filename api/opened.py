"""The service's house as a command opens it, beside one that may be running, and who gives the command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import click
from sqlalchemy import select

from wearvision.errors import WearvisionError
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.settings import Settings
from wearvision_api.store.tables import Account


@contextmanager
def opened(settings: Settings) -> Iterator[House]:
    """The house; closed after the block.

    Raises:
        click.ClickException: for every error that has a sentence for people.
    """
    try:
        house = House.open(settings)
        try:
            yield house
        finally:
            house.close()
    except (WearvisionError, Problem) as error:
        raise click.ClickException(error.detail if isinstance(error, Problem) else str(error)) from error


def person(house: House, name: str, action: str) -> Caller:
    """Who gives a command.

    Args:
        house: Open.
        name: Of the account; empty: this machine's own.
        action: That the account's role must allow.

    Raises:
        click.UsageError: there is no such account, or its role does not allow it.
    """
    with house.session(writes=False) as session:
        query = select(Account).where(Account.name == name) if name else select(Account).where(Account.id == LOCAL_ID)
        row = session.scalar(query)
    if row is None or not row.active:
        raise click.UsageError(f"There is no account {name!r}.")
    who = Caller(row.id, row.name, row.role)  # type: ignore[arg-type]  # the table holds roles only
    if not who.may(action):
        raise click.UsageError(f"{name} is a {row.role} and may not do this: {action}.")
    return who
