"""The command of the returns desk, as ``wearvision`` carries it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wearvision_api.options import option, settings_from

if TYPE_CHECKING:
    from wearvision_api.returns.policy_table import Policy, Warranty


@click.command()
@option("policy", click.Path(path_type=Path, dir_okay=False))
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def policy(as_json: bool, **given: Any) -> None:
    """Prints the returns policy in force, row by row, with its fingerprint as it stands on sheets.

    A table that is wrong is told with its row and key. The one that comes with the service is an example, no advice.
    """
    from wearvision_api.returns.policy_table import PolicyError, load_policy

    try:
        table = load_policy(settings_from(given).policy)
    except PolicyError as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        click.echo(json.dumps(table.to_dict(), ensure_ascii=False))
        return
    for line in _lines(table):
        click.echo(line)


def _lines(table: Policy) -> list[str]:
    lines = [f"{table.id}{' (an example, no advice)' if table.example else ''}", f"fingerprint {table.sha256}"]
    lines += [f"warranty: {_words(table.warranty)} ({table.warranty.source})", ""]
    for number, row in enumerate(table.rows, 1):
        conditions = ", ".join(f"{key} {_plain(value)}" for key, value in row.when.items())
        lines += [f"{number}. {row.id}: {row.propose}", f"   when: {conditions or 'always'}", f"   {row.text}"]
        lines += [f"   source: {row.source}"]
    return lines


def _words(warranty: Warranty) -> str:
    limits = ((warranty.hours, "hours"), (warranty.days, "days"))
    return " and ".join(f"{limit:g} {unit}" for limit, unit in limits if limit is not None)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{key} {_plain(one)}" for key, one in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    return " or ".join(value) if isinstance(value, tuple) else f"{value:g}" if isinstance(value, float) else str(value)


RETURN_COMMANDS: dict[str, click.Command] = {"policy": policy}
