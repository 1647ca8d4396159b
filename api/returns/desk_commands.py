"""Commands that work on many returns at once."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
from sqlalchemy import select

from wearvision.grade import Grader
from wearvision_api.house import House
from wearvision_api.opened import opened, person
from wearvision_api.options import FOLDER, option, settings_from
from wearvision_api.returns.bulk import take_in
from wearvision_api.returns.parcels import Archive, Folder
from wearvision_api.returns.policy_table import load_policy
from wearvision_api.returns.regrading import Said, Would, regrade
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.teaching.models import source_of

TABLE_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command("take-returns")
@click.argument("parcel", type=click.Path(path_type=Path, exists=True))
@click.option("--account", default="", help="Name of the account that takes them in; empty: this machine's own.")
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("limits", TABLE_FILE)
@option("policy", TABLE_FILE)
@option("model")
def take_returns(parcel: Path, account: str, **given: Any) -> None:
    """Takes in the claims of PARCEL, a folder or zip archive with returns.csv and the photos that it names.

    The table's first line names columns as the JSON API does (part, lot, machine, hours_installed, installed_on, …);
    the column photos holds 'view=file; view=file'. The same row again is not taken twice. Exit status 1 where a row
    could not be taken in.
    """
    failed = False
    with opened(settings_from(given)) as house:
        who = person(house, account, "returns:write")
        source = Folder(parcel) if parcel.is_dir() else Archive(parcel.open("rb"))
        for one in take_in(house, who, source):
            said = one.number or "not taken"
            remark = one.fault or ("" if one.is_new else "was there already")
            click.echo(f"line {one.line}: {said}{f'  {remark}' if remark else ''}")
            failed |= not one.number
    sys.exit(int(failed))


@click.command("regrade-returns")
@click.argument("numbers", nargs=-1)
@click.option("--other-model", default="", help="Released or site's model, or model folder, to grade with.")
@click.option("--other-limits", type=TABLE_FILE, help="TOML file of limits to grade with.")
@click.option("--other-policy", type=TABLE_FILE, help="TOML file of a returns policy to propose with.")
@click.option("--all", "show_all", is_flag=True, help="List those that would stay as they are, too.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("limits", TABLE_FILE)
@option("policy", TABLE_FILE)
@option("model")
def regrade_returns(
    numbers: tuple[str, ...],
    other_model: str,
    other_limits: Path | None,
    other_policy: Path | None,
    show_all: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Shows what another model, other limits or another policy would have said of returns; changes nothing.

    NUMBERS are of the returns; none: all. The service may be running.
    """
    settings = settings_from(given)
    with opened(settings) as house:
        grader = Grader(_source(house, other_model), other_limits or settings.limits)
        policy = load_policy(other_policy) if other_policy else None
        seen = changed = 0
        with house.session(writes=False) as session:
            query = select(ReturnRow.id).order_by(ReturnRow.created_at, ReturnRow.id)
            if numbers:
                query = query.where(ReturnRow.number.in_(numbers))
            ids = list(session.scalars(query))
            for one in regrade(house, session, ids, grader, policy):
                seen, changed = seen + 1, changed + bool(one.changes)
                if one.changes or one.fault or show_all:
                    click.echo(json.dumps(asdict(one) | {"changes": one.changes}) if as_json else _line(one))
        click.echo(f"{changed} of {seen} returns would change; nothing was changed.", err=True)


def _source(house: House, model: str) -> str | Path | None:
    """What to grade with: a folder, a released or a site's model; none named: the one in use."""
    if not model:
        return house.current.in_use.source
    if Path(model).is_dir():
        return Path(model)
    with house.session(writes=False) as session:
        return source_of(session, house.current.files, model)


def _line(one: Would) -> str:
    if one.fault:
        return f"{one.number}: {one.fault}"
    if one.before is None or one.after is None or not one.changes:
        return f"{one.number}: as it is"
    return f"{one.number}: " + "; ".join(f"{_both(name, one.before, one.after)}" for name in one.changes)


def _both(name: str, before: Said, after: Said) -> str:
    old, new = (getattr(one, name) for one in (before, after))
    words = [", ".join(value) if isinstance(value, tuple) else value or "none" for value in (old, new)]
    return f"{name} {words[0]} → {words[1]}"


DESK_COMMANDS: dict[str, click.Command] = {"regrade-returns": regrade_returns, "take-returns": take_returns}
