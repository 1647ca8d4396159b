"""The commands of the record, as ``wearvision`` carries them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any

import click
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from wearvision.errors import SetupError
from wearvision_api.options import FOLDER, option, settings_from
from wearvision_api.record import erase, export, tombstones
from wearvision_api.record.heads import ITSELF, SignedHead, introduce, midnight, read_head, sign
from wearvision_api.record.keys import open_key, renew
from wearvision_api.record.ledger import head, lines
from wearvision_api.record.verify import Broken, Verdict, verify
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.engine import open_existing
from wearvision_api.teaching.seen import seen_by

KEY_FILE = click.Path(path_type=Path, dir_okay=False)
DAY = click.DateTime(["%Y-%m-%d"])


@contextmanager
def _opened(settings: Settings) -> Iterator[Callable[..., Session]]:
    """Sessions on the service's database; what cannot be read is told in one line."""
    engine = None
    try:
        engine = open_existing(settings.database_url)
        bound = engine
        yield lambda *, writes=False: Session(bound.execution_options(writes=writes))
    except SetupError as error:
        raise click.ClickException(str(error)) from error
    except DatabaseError as error:
        raise click.ClickException(f"The record cannot be read: {error.orig}.") from error
    finally:
        if engine is not None:
            engine.dispose()


@click.command("verify")
@click.option(
    "heads",
    "--head",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="Signed head that was kept elsewhere, or a folder of such; may be given more than once.",
)
@click.option("--photos", is_flag=True, help="Hold every photo that the record names to its hash, too.")
@click.option(
    "entries",
    "--entries",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Check a file of 'wearvision export-record' instead of the service's own record.",
)
@option("data", FOLDER)
@option("database")
@option("blobs")
def check(heads: Sequence[Path], photos: bool, entries: Path | None, **given: Any) -> None:
    """Checks the record and names the first broken link. The service may be running.

    Without --head it finds what was changed, dropped or swapped; a record that was cut at its end or rewritten whole
    shows only against a head that was kept elsewhere. Exit status 0: whole; 1: broken, or it cannot be read.
    """
    settings = settings_from(given)
    try:
        known = _heads(heads)
        if entries is not None:
            if photos:
                raise click.UsageError("--photos looks into the service; leave out --entries.")
            _tell(verify(export.load(entries), heads=known, start=export.before_first(entries)))
            return
    except SetupError as error:
        raise click.ClickException(str(error)) from error
    with _opened(settings) as sessions, sessions() as session:
        seen = tombstones.photo_check(sessions, Blobs(settings.blob_url)) if photos else None
        verdict = verify(lines(session), heads=known, photo=seen)
        fault = "" if verdict.broken or not photos else tombstones.fallen(session)
    _tell(verdict, fault)


def _heads(paths: Sequence[Path]) -> list[SignedHead]:
    files = [one for path in paths for one in (sorted(path.glob("*.json")) if path.is_dir() else [path])]
    return [read_head(one) for one in files]


def _tell(verdict: Verdict, fault: str = "") -> None:
    """Prints what a walk came to, and ends the command with it."""
    for note in verdict.notes:
        click.echo(note)
    broken = verdict.broken
    if broken is None and fault:
        broken = Broken(verdict.entries, fault)
    if broken is not None:
        click.echo(f"Broken at entry {broken.place}: {broken.reason}.")
        sys.exit(1)
    fits = f", fits {verdict.heads} heads kept elsewhere" if verdict.heads else ", compared with no head kept elsewhere"
    seen = f", {verdict.photos} photos held to their hash" if verdict.photos else ""
    click.echo(f"Whole: {verdict.entries} entries{fits}{seen}. Ends in {verdict.digest}.")
    for public in verdict.keys:
        click.echo(f"Signed by the key {public}")


@click.command("head")
@click.option("--out", type=click.File("w", atomic=True), default="-", help="File to write; standard output if none.")
@option("data", FOLDER)
@option("database")
@option("record_key", KEY_FILE)
def sign_head(out: IO[str], **given: Any) -> None:
    """Signs the end of the record as it is now. Keep what it writes where nobody who runs the service can change it.

    The running service writes one for each day into the folder heads beside its database.
    """
    settings = settings_from(given)
    with _opened(settings) as sessions, sessions(writes=True) as session:
        key = open_key(settings.record_key_path)
        introduce(session, key)
        session.commit()
        out.write(sign(head(session), key).text())


@click.command("export-record")
@click.option("--from", "first", type=DAY, help="First day, UTC, such as 2026-03-02; the record's first if none.")
@click.option("--to", "last", type=DAY, help="Last day, UTC; today if none.")
@click.option("--out", type=click.File("w", atomic=True), default="-", help="File to write; standard output if none.")
@option("data", FOLDER)
@option("database")
def export_record(first: datetime | None, last: datetime | None, out: IO[str], **given: Any) -> None:
    """Writes the entries of some days as JSON lines, one an entry, with what was hashed as it was hashed."""
    since = midnight(first.date()) if first else ""
    before = midnight((last or datetime.now(UTC)).date() + timedelta(days=1))
    with _opened(settings_from(given)) as sessions, sessions() as session:
        number = 0
        for text in export.dump(lines(session, since=since, before=before)):
            out.write(text)
            number += 1
    click.echo(f"{number} entries.", err=True)


@click.command("erase-photo")
@click.argument("photo")
@click.option("--reason", required=True, help="Why; stands in the record for good.")
@click.option("--by", default=ITSELF, show_default=True, help="Who asked for it, for the record.")
@click.confirmation_option(prompt="The photo's bytes and the pictures made of it are lost for good. Erase it?")
@option("data", FOLDER)
@option("database")
@option("blobs")
@option("record_key", KEY_FILE)
def erase_photo(photo: str, reason: str, by: str, **given: Any) -> None:
    """Erases PHOTO, by the id of its record, on a lawful request. The service may be running.

    Its record stays, emptied, and a signed tombstone says who erased it, when and why. Photos of open returns are held.
    Backups made before hold it still.
    """
    from wearvision_api.problems import Problem

    settings = settings_from(given)
    with _opened(settings) as sessions:
        with sessions(writes=True) as session:
            key = open_key(settings.record_key_path)
            introduce(session, key)
            try:
                erase.erase(session, key, by, photo, reason)
            except Problem as problem:
                raise click.ClickException(problem.detail) from problem
            others, seen = erase.same_bytes(session, photo), seen_by(session, photo)
            session.commit()
        with sessions() as session:
            gone = erase.remove_bytes(session, Blobs(settings.blob_url), trainings=settings.data / "trainings")
    click.echo(f"Erased; {len(gone)} files removed.", err=True)
    if seen:
        click.echo(seen.words, err=True)
    if others:
        click.echo(f"The same photo is on record as {', '.join(others)}, too: its bytes stay for these.", err=True)


@click.command("renew-key")
@option("data", FOLDER)
@option("database")
@option("record_key", KEY_FILE)
def renew_key(**given: Any) -> None:
    """Gives the record a new signing key, for which the old one vouches in the record. Restart the service after it.

    Do so when somebody leaves who could read the old one. Heads and tombstones signed before stay good.
    """
    settings = settings_from(given)
    path = settings.record_key_path
    with _opened(settings) as sessions, sessions(writes=True) as session:
        old = open_key(path)
        introduce(session, old)
        with renew(path) as new:
            introduce(session, new, old=old)
            session.commit()
    click.echo(f"The record is signed by the key {new.public} from now on.", err=True)


RECORD_COMMANDS: dict[str, click.Command] = {
    "erase-photo": erase_photo,
    "export-record": export_record,
    "head": sign_head,
    "renew-key": renew_key,
    "verify": check,
}
