"""The command ``wearvision``: results on standard output, messages on standard error."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from wearvision.cli_grade import PART_NAMES, grade, regrade, told

SERVICE_COMMANDS = {
    "administrator": "Makes the first administrator of the service.",
    "erase-photo": "Erases a photo of the service for good, on a lawful request.",
    "export-record": "Writes the record's entries of some days as JSON lines.",
    "export-set": "Writes a data set out as a folder of open files.",
    "find-doubts": "Looks for labels of the service that a model taught without them doubts.",
    "head": "Signs the end of the service's record, to be kept elsewhere.",
    "renew-key": "Gives the service's record a new signing key.",
    "verify": "Checks the service's record and names the first broken link.",
    "import-set": "Takes a labelled folder in, as a data set or as examples.",
    "backup": "Writes all that the service keeps into one file, while it runs.",
    "migrate": "Brings the service's database up to date, before a new version starts.",
    "policy": "Prints the returns policy in force, with its fingerprint.",
    "regrade-returns": "Shows what another model, limits or policy would say of returns.",
    "retrain": "Trains a new model on a frozen set of the service.",
    "restore": "Puts a backup into an empty place.",
    "serve": "Starts the service and its pages.",
    "sweep": "Removes photos of the service that no record names.",
    "take-examples": "Takes a folder of photos in as examples to label.",
    "take-returns": "Takes many returns in from a folder or zip with a table.",
}
"""Commands of the extra ``service`` with their line in the list."""


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="wearvision")
def main() -> None:
    """Grades wear of burner parts from a photo: put back, clean, or replace.

    The photo is a first look. Confirm it by the hand checks; the equipment maker's manual, the local code and a
    licensed technician win over everything said here.
    """


main.add_command(grade)
main.add_command(regrade)


@main.command()
@click.argument("part", type=click.Choice(PART_NAMES))
@click.option("--grade", "for_grade", type=click.Choice(["serviceable", "clean-and-reuse", "replace"]))
@click.option("--counter", is_flag=True, help="Those for a part that comes back to the counter.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def checks(part: str, for_grade: Any, counter: bool, as_json: bool) -> None:
    """Prints the hand checks of a part, with steps, cautions, expected readings and sources."""
    from wearvision.standard import CAUTIONS, DEFERENCE, checks_for
    from wearvision.standard.counter import checks_at_counter

    if counter and for_grade:
        raise click.UsageError("The checks at the counter are the same for every grade; leave out --grade.")
    found: Sequence[Any] = checks_at_counter(part) if counter else checks_for(part, for_grade)
    if as_json:
        for check in found:
            click.echo(json.dumps(check.to_dict(), ensure_ascii=False))
        return
    from wearvision.console import check_view, counter_view, out

    console = out()
    console.print(DEFERENCE + "\n", style="bold")
    for caution in CAUTIONS:
        console.print(f"! {caution}")
    console.print("")
    for check in found:
        console.print(counter_view(check) if counter else check_view(check))


@main.command()
@click.argument("symptom", required=False)
@click.option("--json", "as_json", is_flag=True, help="One JSON object: all that a walk needs.")
def start(symptom: str | None, as_json: bool) -> None:
    """Prints where to start: from what the burner does (SYMPTOM) to the checks in order; without it, the symptoms."""
    from wearvision.standard import CAUTIONS, DEFERENCE, load_starts

    data = load_starts()
    with told():
        plain = data.to_dict(symptom)
    if as_json:
        click.echo(json.dumps(plain, ensure_ascii=False))
        return
    from wearvision.console import out, start_view, starts_view

    console = out()
    if symptom is None:
        console.print(starts_view(data))
        return
    console.print(DEFERENCE + "\n", style="bold")
    for caution in CAUTIONS:
        console.print(f"! {caution}")
    console.print("")
    console.print(start_view(data, symptom))


@main.command()
@click.argument("report", type=click.File("r", encoding="utf-8"))
@click.argument("readings", nargs=-1, required=True, metavar="CHECK=READING...")
@click.option("--clean-ohm", type=float, help="The cell's own lit reading when it was clean, in ohm.")
@click.option("--json", "as_json", is_flag=True)
def confirm(report: Any, readings: tuple[str, ...], clean_ohm: float | None, as_json: bool) -> None:
    """Puts hand-check readings beside a photo's report (a file of one JSON object, - for standard input).

    Example: wearvision confirm report.json cell-lit=1650 cell-dark=60000
    """
    from wearvision.confirm import confirm as decide

    pairs = [reading.partition("=") for reading in readings]
    if bad := [name for name, equals, _ in pairs if not equals]:
        raise click.UsageError(f"{bad[0]!r} is no reading; write CHECK=READING, such as cell-lit=650.")
    try:
        record = json.loads(report.readline())
    except ValueError as error:
        raise click.UsageError(f"The report is not a JSON object on one line ({error}); use grade --json.") from error
    if not isinstance(record, dict):
        raise click.UsageError("The report is not a JSON object; use grade --json.")
    with told():
        verdict = decide(record, [_entry(name, value) for name, _, value in pairs], clean_ohm=clean_ohm)
    if as_json:
        click.echo(json.dumps(verdict.to_dict(), ensure_ascii=False))
        return
    click.echo(f"{verdict.standing}: {verdict.grade or 'no grade yet'}")
    click.echo(verdict.reason)
    for finding in verdict.findings:
        click.echo(f"  {finding.check.id} = {finding.entered}: {finding.text}")
    for note in verdict.notes:
        click.echo(f"  {note}")
    if verdict.missing:
        click.echo(f"  Still to do: {', '.join(verdict.missing)}")


def _entry(name: str, value: str) -> dict[str, Any]:
    """A plain number counts in the check's own unit; everything else is read as text."""
    try:
        return {"check": name, "value": float(value)}
    except ValueError:
        return {"check": name, "value": value}


@main.command("scale-card")
@click.argument("pdf", type=click.Path(path_type=Path, dir_okay=False))
def scale_card(pdf: Path) -> None:
    """Writes the printable scale card, true to size: lay it beside an electrode to measure its gap."""
    from wearvision.scale_card import write_scale_card

    try:
        write_scale_card(pdf)
    except OSError as error:
        raise click.UsageError(f"{pdf} cannot be written: {error.strerror}.") from error
    click.echo(f"{pdf}: print it at 100 % and check its 50 mm rule with a ruler.")


@main.command("return-tag")
@click.argument("numbers", nargs=-1, required=True, metavar="NUMBER...")
@click.option("--out", "pdf", required=True, type=click.Path(path_type=Path, dir_okay=False), help="File to write.")
def return_tag(numbers: tuple[str, ...], pdf: Path) -> None:
    """Writes the tags of returns, true to size, eight a page: one lies in every photo of its part."""
    from wearvision.return_tag_print import draw_return_tags

    with told():
        drawn = draw_return_tags(numbers)
    try:
        pdf.write_bytes(drawn)
    except OSError as error:
        raise click.UsageError(f"{pdf} cannot be written: {error.strerror}.") from error
    click.echo(f"{pdf}: print it at 100 % and check a tag's 50 mm rule with a ruler.")


def _service_commands() -> None:
    """Adds the commands of the service; without its extra they say how to get it."""
    for name, line in SERVICE_COMMANDS.items():
        main.add_command(_Service(name, help=line, context_settings={"ignore_unknown_options": True}))


class _Service(click.Command):
    """A command that lives in the service, so that the others start without loading it."""

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        try:
            from wearvision_api.commands import COMMANDS
        except ImportError as error:
            raise click.UsageError(
                f"{self.name} needs the service: pip install 'wearvision[service]' ({error.name} is missing)."
            ) from error
        return COMMANDS[str(self.name)].make_context(info_name, args, parent, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        return ctx.command.invoke(ctx)


_service_commands()

if __name__ == "__main__":
    main()
