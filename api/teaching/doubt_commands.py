"""The command that looks for doubtful labels, without an end in time."""

from __future__ import annotations

from typing import Any

import click

from wearvision_api.options import FOLDER, option, settings_from


@click.command("find-doubts")
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("model")
def find_doubts(**given: Any) -> None:
    """Looks for settled labels that a model taught without them strongly doubts; they are shown again at the desk.

    Needs the extra 'teaching'. A photo that was not looked at before takes some tenths of a second; stopped
    half-way, the next call goes on. The service may be running.
    """
    from wearvision.errors import WearvisionError
    from wearvision_api.accounts.gate import LOCAL_ID
    from wearvision_api.accounts.roles import Caller
    from wearvision_api.house import House
    from wearvision_api.pages.teaching_doubts import summary
    from wearvision_api.problems import Problem
    from wearvision_api.store.tables import Account
    from wearvision_api.teaching.doubts import find

    try:
        house = House.open(settings_from(given))
        try:
            with house.session(writes=False) as session:
                name = session.get_one(Account, LOCAL_ID).name
            found = find(house, Caller(LOCAL_ID, name, "administrator"))
        finally:
            house.close()
    except (WearvisionError, Problem) as error:
        raise click.ClickException(error.detail if isinstance(error, Problem) else str(error)) from error
    click.echo(summary(found))


DOUBT_COMMANDS: dict[str, click.Command] = {"find-doubts": find_doubts}
