"""Commands of teaching that read and write folders: photos to label, and data sets."""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from wearvision_api.opened import opened, person
from wearvision_api.options import FOLDER, option, settings_from
from wearvision_api.teaching.take_examples import Taken

PARCEL = click.Path(path_type=Path, exists=True)
ACCOUNT = click.option("--account", default="", help="Name of the account that does it; empty: this machine's own.")
GROUND = click.option(
    "--ground", required=True, help="On what ground the photos may be used to teach, such as 'our own machines'."
)


@click.command("take-examples")
@click.argument("folder", type=PARCEL)
@GROUND
@click.option(
    "--machine-from-folder-names", is_flag=True, help="The folder in which a photo lies is named after its machine."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a photo, as it is taken in.")
@ACCOUNT
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("limits", click.Path(path_type=Path, exists=True, dir_okay=False))
@option("model")
def take_examples(
    folder: Path, ground: str, machine_from_folder_names: bool, as_json: bool, account: str, **given: Any
) -> None:
    """Takes the photos in FOLDER, a folder or a zip archive, in as examples to label.

    Photos in one folder within it are taken to show one part: put photos of different parts into different folders, or
    at the top. Stop it when you like: the same command goes on, and no photo is taken in twice. Photos that cannot be
    read are listed at the end; exit status 1 where there were any.
    """
    from wearvision_api.teaching.heaps import Archive, Folder
    from wearvision_api.teaching.take_examples import take_in

    with opened(settings_from(given)) as house:
        who = person(house, account, "teaching:write")
        heap = Folder(folder) if folder.is_dir() else Archive(folder.open("rb"), folder.name)
        taken = take_in(house, who, heap, ground, machine_from_folder=machine_from_folder_names)
        faults = _told(taken, as_json=as_json)
    sys.exit(int(faults > 0))


def _told(taken: Iterable[Taken], *, as_json: bool) -> int:
    """Tells what became of photos, faults at the end; gives their number."""
    new = known = 0
    faults: list[Taken] = []
    for count, one in enumerate(taken, 1):
        if as_json:
            click.echo(json.dumps(asdict(one), ensure_ascii=False))
        new, known = new + one.is_new, known + (bool(one.example) and not one.is_new)
        if one.fault:
            faults.append(one)
        if count % 50 == 0:
            click.echo(f"{count} photos …", err=True)
    if not as_json:
        for one in faults:
            click.echo(f"{one.name}: {one.fault}")
    click.echo(f"{new} new examples; {known} were there already; {len(faults)} could not be taken in.", err=True)
    return len(faults)


@click.command("export-set")
@click.argument("name")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New folder; with --zip a new file.")
@click.option("--zip", "as_zip", is_flag=True, help="One zip archive instead of a folder.")
@option("data", FOLDER)
@option("database")
@option("blobs")
def export_set(name: str, out: Path, as_zip: bool, **given: Any) -> None:
    """Writes the data set NAME out as a folder: JSON lines, a table (CSV), photos, and masks as PNG.

    Labels carry pseudonyms, not names; photos carry no place of taking. Photos that were erased since the set was
    frozen, or whose permission was withdrawn, stay out and are listed.
    """
    from wearvision_api.teaching import set_export, sets

    if out.exists() and (as_zip or not out.is_dir() or any(out.iterdir())):
        raise click.UsageError(f"{out} is there already; name another one.")
    with opened(settings_from(given)) as house, house.session(writes=False) as session:
        row = sets.by_name(session, name)
        try:
            if as_zip:
                with set_export.written_out(house, session, row) as (folder, done), out.open("xb") as file:
                    file.writelines(set_export.zipped(folder))
            else:
                done = set_export.write(house, session, row, out)
        except OSError as error:
            raise click.ClickException(str(error)) from error
    for digest, why in sorted(done.left_out.items()):
        click.echo(f"{digest}: {why}")
    click.echo(f"{out}: {done.photos} photos; {len(done.left_out)} left out.", err=True)


@click.command("import-set")
@click.argument("folder", type=PARCEL)
@GROUND
@click.option("--as-examples", is_flag=True, help="As settled examples for sets to come, not as a set of its own.")
@click.option("--name", default="", help="Of the set; empty: the folder's own.")
@ACCOUNT
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("limits", click.Path(path_type=Path, exists=True, dir_okay=False))
def import_set(folder: Path, ground: str, as_examples: bool, name: str, account: str, **given: Any) -> None:
    """Takes a labelled FOLDER in, or a zip archive of one, such as export-set writes.

    A folder made by hand needs examples.csv (columns file, machine, part, view, grade, and measures if known) and
    photos/. As examples, no photo is taken in twice, and exit status 1 says that one could not be.
    """
    from wearvision.labels.folder import read_folder
    from wearvision_api.teaching import set_archive, set_import

    settings = settings_from(given)
    faults = 0
    with opened(settings) as house, tempfile.TemporaryDirectory(dir=settings.data, prefix=".import-") as draft:
        who = person(house, account, "teaching:write")
        place = folder
        if not folder.is_dir():
            with folder.open("rb") as file:
                place = set_archive.unpack(file, Path(draft), settings.max_upload_mb * 2**20)
        found = read_folder(place)
        if as_examples:
            faults = _told(set_import.import_examples(house, who, found, ground), as_json=False)
        else:
            with house.session() as session:
                row = set_import.import_set(house, session, who, found, ground, name)
                session.commit()
            click.echo(f"{row.name}: {row.counts['photos']} photos, manifest {row.sha256}.", err=True)
    sys.exit(int(faults > 0))


SET_COMMANDS: dict[str, click.Command] = {
    "export-set": export_set,
    "import-set": import_set,
    "take-examples": take_examples,
}
