"""The commands of the service, as ``wearvision`` carries them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from wearvision_api.options import FOLDER, option, settings_from
from wearvision_api.record.commands import RECORD_COMMANDS
from wearvision_api.returns.commands import RETURN_COMMANDS
from wearvision_api.returns.desk_commands import DESK_COMMANDS
from wearvision_api.teaching.commands import TRAINING_COMMANDS
from wearvision_api.teaching.doubt_commands import DOUBT_COMMANDS
from wearvision_api.teaching.set_commands import SET_COMMANDS


@click.command()
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("host")
@option("port")
@option("accounts")
@option("record_key", click.Path(path_type=Path, dir_okay=False))
@option("tls_certificate", click.Path(path_type=Path, exists=True, dir_okay=False))
@option("tls_key", click.Path(path_type=Path, exists=True, dir_okay=False))
@option("proxy")
@option("hosts")
@option("processes")
@option("drain_s")
@option("migrate")
@option("connections")
@option("limits", click.Path(path_type=Path, exists=True, dir_okay=False))
@option("policy", click.Path(path_type=Path, exists=True, dir_okay=False))
@option("ask_share")
@option("gate", click.Path(path_type=Path, exists=True, dir_okay=False))
@option("model")
@option("workers")
@option("waiting")
@option("requests")
@option("session_hours")
@option("idle_minutes")
@option("max_upload_mb")
@option("house_name")
@option("house_address")
@option("house_contact")
@option("objection_days")
def serve(**given: Any) -> None:
    """Starts the service and its pages.

    By itself it serves one person on this machine, at http://127.0.0.1:8460, without a log-in. Any other address needs
    accounts and TLS. Options win over environment variables.
    """
    from wearvision.errors import WearvisionError
    from wearvision_api.serve import serve as run

    settings = settings_from(given)
    where = "for this machine only, no log-in" if not settings.accounts else "with log-in"
    try:
        run(settings, lambda at: click.echo(f"wearvision serves {at} {where}; stop it with Ctrl-C.", err=True))
    except WearvisionError as error:
        raise click.ClickException(str(error)) from error


@click.command()
@option("data", FOLDER)
@option("database")
def migrate(**given: Any) -> None:
    """Brings the database's tables up to date; the service may be running.

    Run it once before processes of a new version start. Those of the version before go on meanwhile, unless the
    version's notes say otherwise.
    """
    from sqlalchemy.exc import SQLAlchemyError

    from wearvision.errors import SetupError
    from wearvision_api.store import schema
    from wearvision_api.store.engine import open_engine

    engine = open_engine(settings_from(given).database_url)
    try:
        before = schema.revision(engine)
        schema.settle(engine, may_migrate=True)
        click.echo(f"The tables are at {schema.revision(engine)}; before: {before or 'none'}.", err=True)
    except (SetupError, SQLAlchemyError) as error:
        raise click.ClickException(str(error)) from error
    finally:
        engine.dispose()


@click.command()
@click.argument("name")
@click.option("--password-stdin", is_flag=True, help="Read the password from standard input, one line.")
@option("data", FOLDER)
@option("database")
def administrator(name: str, password_stdin: bool, **given: Any) -> None:
    """Makes an administrator, or gives an administrator of this name a new password.

    The service may be running. It asks for the password twice.
    """
    from wearvision_api.accounts.first import make_administrator
    from wearvision_api.problems import Problem

    if password_stdin:
        password = sys.stdin.readline().rstrip("\r\n")
    else:
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    try:
        is_new = make_administrator(settings_from(given), name, password)
    except Problem as problem:
        raise click.UsageError(problem.detail) from problem
    click.echo(f"{name} is {'an administrator now' if is_new else 'an administrator with a new password'}.", err=True)


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@option("data", FOLDER)
@option("database")
@option("blobs")
def backup(file: Path, **given: Any) -> None:
    """Writes all records and photos into FILE; the service may be running.

    FILE holds hashes of passwords and every photo: keep it as carefully as the service itself. Only its owner can read
    it. Exit status 1 where it could not be written whole; then there is no FILE.
    """
    from wearvision.errors import SetupError
    from wearvision_api.upkeep.backup import backup as run

    settings = settings_from(given)
    try:
        done = run(settings.database_url, settings.blob_url, file)
    except (SetupError, OSError) as error:
        raise click.ClickException(str(error)) from error
    click.echo(f"{file}: {done.rows} records and {done.photos} photos of {done.made_at}.", err=True)
    click.echo(
        f"The key that signs the record is not in it: keep a copy of {settings.record_key_path} elsewhere, where "
        "whoever has this backup cannot reach it.",
        err=True,
    )


@click.command()
@click.argument("file", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@option("data", FOLDER)
@option("database")
@option("blobs")
def restore(file: Path, **given: Any) -> None:
    """Puts the backup FILE into a new data folder, or into an empty database and photo store.

    Everything in it is held to its hash first; a damaged file restores nothing. The database may be another one than
    that of the backup. Browsers must log in anew.
    """
    from wearvision.errors import SetupError
    from wearvision_api.upkeep.backup import restore as run

    settings = settings_from(given)
    try:
        done = run(file, settings.database_url, settings.blob_url)
    except (SetupError, OSError) as error:
        raise click.ClickException(str(error)) from error
    click.echo(f"{done.rows} records and {done.photos} photos as of {done.made_at}.", err=True)
    if not settings.record_key_path.exists():
        click.echo(
            f"Put your copy of the record's key at {settings.record_key_path} before you serve; else the record says "
            "that a new key came, for which nobody vouches.",
            err=True,
        )


@click.command()
@option("data", FOLDER)
@option("database")
@option("blobs")
def sweep(**given: Any) -> None:
    """Removes photos without a record: uploads that failed half-way, a day old or more. The service may be running."""
    from wearvision_api.store.blobs import Blobs
    from wearvision_api.upkeep.sweep import sweep_address

    settings = settings_from(given)
    blobs = Blobs(settings.blob_url)
    if not blobs.in_folder:
        raise click.UsageError("Only photos in a folder can be swept; an object store has no lock against uploads.")
    done = sweep_address(settings.database_url, blobs)
    click.echo(f"Removed {len(done.blobs)} photos without a record, {done.drafts} drafts; {done.kept} kept.", err=True)


COMMANDS: dict[str, click.Command] = {
    "administrator": administrator,
    "backup": backup,
    "migrate": migrate,
    "restore": restore,
    "serve": serve,
    "sweep": sweep,
    **RECORD_COMMANDS,
    **RETURN_COMMANDS,
    **DESK_COMMANDS,
    **DOUBT_COMMANDS,
    **SET_COMMANDS,
    **TRAINING_COMMANDS,
}
"""By name; ``wearvision.cli.SERVICE_COMMANDS`` lists the same."""
