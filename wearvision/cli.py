"""The command ``wearvision``: results on standard output, messages on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif")
PART_NAMES = ("flame_cell", "electrode", "coupler")
"""Known without importing the parts, so that ``--help`` is quick; a test holds them to the registry."""
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


@contextmanager
def _told() -> Iterator[None]:
    """Turns our own errors into one line on standard error and exit status 2."""
    from wearvision.errors import WearvisionError

    try:
        yield
    except WearvisionError as error:
        raise click.UsageError(str(error)) from error


@main.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--part", type=click.Choice(PART_NAMES), help="The part, if you know it.")
@click.option("--together", is_flag=True, help="All photos show one and the same part, from several sides.")
@click.option("--reference", type=click.Path(path_type=Path), help="Photo of the same part when new.")
@click.option("--limits", type=click.Path(path_type=Path), help="TOML file that overrides rows of the wear standard.")
@click.option("--model", help="Model folder, or the id of a released model.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line instead of tables.")
@click.option("--overlay", type=click.Path(path_type=Path, file_okay=False), help="Folder for pictures that show why.")
@click.option("--brief", is_flag=True, help="Measures only, without the hand checks.")
@click.pass_context
def grade(
    context: click.Context,
    photos: tuple[Path, ...],
    part: str | None,
    together: bool,
    reference: Path | None,
    limits: Path | None,
    model: str | None,
    as_json: bool,
    overlay: Path | None,
    brief: bool,
) -> None:
    """Grades photos of parts; a folder stands for the photos in it.

    Exit status: 0 when every photo could be read, 1 when one could not, 2 for wrong usage.
    """
    from wearvision.errors import PhotoError
    from wearvision.grade import Grader
    from wearvision.photo import read_photo

    with _told():
        grader = Grader(model, limits)
        files = _files(photos)
        known = None if reference is None else read_photo(reference)
    groups: list[list[Path]] = [files] if together else [[file] for file in files]
    failed = 0
    for number, group in enumerate(_progress(groups, quiet=as_json)):
        try:
            report = grader.grade_part(group, part, known)
        except PhotoError as error:
            failed += 1
            _print_error(", ".join(str(file) for file in group), error, as_json=as_json)
            continue
        if as_json:
            click.echo(json.dumps(report.to_dict(), ensure_ascii=False))
        else:
            from wearvision.console import out, report_view

            out().print(report_view(report, grader.limits, checks=not brief))
        if overlay is not None:
            _write_overlays(report, grader.limits, overlay, number)
    context.exit(1 if failed else 0)


def _files(given: Sequence[Path]) -> list[Path]:
    """The files named, folders replaced by the photos in them, in order."""
    files: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = sorted(file for file in path.iterdir() if file.suffix.lower() in SUFFIXES)
            if not inside:
                raise click.UsageError(f"There is no photo in {path}; looked for {', '.join(SUFFIXES)}.")
            files += inside
        else:
            files.append(path)
    return files


def _progress(groups: list[list[Path]], *, quiet: bool) -> Iterator[list[Path]]:
    """The groups, with a bar on standard error where many are graded at a terminal."""
    if quiet or len(groups) < 5 or not sys.stderr.isatty():
        yield from groups
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(groups, "grading", console=Console(stderr=True), transient=True)


def _print_error(name: str, error: Any, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps({"photo": name, "usable": False, "error": error.to_dict()}, ensure_ascii=False))
    else:
        click.echo(f"{name}: {error}", err=True)


def _write_overlays(report: Any, limits: Any, folder: Path, number: int) -> None:
    from PIL import Image

    from wearvision.overlay import overlay

    folder.mkdir(parents=True, exist_ok=True)
    for index, picture in enumerate(report.pictures):
        # The numbers keep apart photos of one name from several folders.
        which = f"{number + 1:03d}" + (f"-{index + 1}" if len(report.pictures) > 1 else "")
        path = folder / f"{which}-{Path(picture.name).stem}.png"
        Image.fromarray(overlay(report, limits, number=index)).save(path)


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
    with _told():
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
    with _told():
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

    with _told():
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
