"""The command ``release``."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from wearvision_training.release.stages import KINDS
from wearvision_training.school.stopping import asked_to_stop

KIND = click.Choice(KINDS)


@click.command("release")
@click.option("--plan", "file", type=click.Path(exists=True, dir_okay=False, path_type=Path), required=True)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder of the release.")
@click.option("--stages", "chosen", help=f"Only these kinds of stages, by commas: {', '.join(KINDS)}.")
@click.option("--from", "first", type=KIND, help="Begin with this kind of stage.")
@click.option("--until", "last", type=KIND, help="End with this kind of stage.")
@click.option("--for", "limit", type=float, help="Seconds after which to stop; the same command goes on later.")
@click.option("--dry-run", is_flag=True, help="Only print the commands.")
def release(
    file: Path, out: Path, chosen: str | None, first: str | None, last: str | None, limit: float | None, dry_run: bool
) -> None:
    """Goes the whole way from nothing to a calibrated, evaluated model folder; the same command goes on after a stop.

    OUT gets sets/, compare/, train/, models/, reports/, logs/ and status.json, which says what has been done.
    """
    from wearvision_training.release.make import stages
    from wearvision_training.release.plan import ReleasePlan
    from wearvision_training.release.run import Runner
    from wearvision_training.release.tables import write_tables

    try:
        plan = ReleasePlan.read(file)
        kinds = _kinds(chosen, first, last)
    except (ValueError, OSError) as error:
        raise click.UsageError(str(error)) from error
    made = stages(plan, out)
    for stage in made:
        stage.ended = stage.kind not in kinds
    if dry_run:
        for stage in (stage for stage in made if not stage.ended):
            click.echo(f"{stage.name}: {' '.join(stage.command(0.0, None))}")
        return
    out.mkdir(parents=True, exist_ok=True)
    with _locked(out) as lock, asked_to_stop() as stop:
        runner = Runner(made, out, click.echo, limit=limit, stop=stop, lock=lock)
        whole = runner.go()
        tables = write_tables(plan, out)
    for table in tables:
        click.echo(table)
    if failed := [stage.name for stage in made if runner.failed(stage)]:
        raise click.ClickException(f"failed: {', '.join(failed)}; see {out / 'logs'}")
    click.echo(f"all done, see {out}" if whole else "stopped; the same command goes on")


def _kinds(chosen: str | None, first: str | None, last: str | None) -> list[str]:
    """The kinds of stages to run, in their order.

    Raises:
        ValueError: one is unknown, or none is left.
    """
    kinds = list(KINDS)
    named = [one.strip() for one in chosen.split(",")] if chosen else kinds
    if unknown := [one for one in named if one not in kinds]:
        raise ValueError(f"no such stage: {', '.join(unknown)}; known are {', '.join(KINDS)}")
    within = kinds[kinds.index(first) if first else 0 : kinds.index(last) + 1 if last else None]
    if not (left := [one for one in within if one in named]):
        raise ValueError("no stage is left to run")
    return left


@contextmanager
def _locked(out: Path) -> Iterator[int]:
    """An open file that only one call on a folder has, and that its stages keep if it is killed."""
    handle = os.open(out / "lock", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise click.ClickException(f"another call, or what it left behind, is still at work on {out}") from None
    try:
        yield handle
    finally:
        os.close(handle)
