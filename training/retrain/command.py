"""The command ``retrain``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

STOPPED = 3
"""Exit status of a training that was stopped; the same command goes on."""


@click.command("retrain")
@click.option("--set", "folder", type=click.Path(path_type=Path), required=True, help="Labelled folder.")
@click.option("--base", required=True, help="Model to start from: a folder or the id of a released model.")
@click.option("--id", "name", required=True, help="Id of the new model.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder of the training.")
@click.option("--stage", type=click.Choice(["heads", "more"]), default="heads", show_default=True)
@click.option("--replay-count", type=click.IntRange(0), help="Drawn pictures of what the base knows, learned beside.")
@click.option("--check-count", type=click.IntRange(0), help="Drawn pictures on which intervals are checked.")
@click.option("--synthetic-count", type=click.IntRange(0), help="Drawn pictures on which old and new are compared.")
@click.option("--copies", type=click.IntRange(0), help="Changed copies of each photo.")
@click.option(
    "--minutes", type=click.FloatRange(0, min_open=True), help="What the stage more may take until all is done."
)
@click.option("--device", type=click.Choice(["auto", "cpu", "cuda"]), default="auto", show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@click.option("--workers", type=click.IntRange(0), default=0, help="Processes; 0 takes one a processor.")
@click.option("--limits", type=click.Path(path_type=Path), help="File of the site's limits.")
@click.option("--cache", type=click.Path(path_type=Path), help="Where looks and drawn pictures are kept.")
def retrain_model(folder: Path, name: str, **options: Any) -> None:
    """Trains a model again on a site's labelled photos, and compares it with the one it came from.

    OUT gets model/, report.json and progress.jsonl. A file OUT/stop stops it, exit status 3; the same command goes on.
    """
    from wearvision_training.retrain.config import Config
    from wearvision_training.retrain.progress import STOP, Failed, Stopped
    from wearvision_training.retrain.run import retrain

    given = {key: value for key, value in options.items() if value is not None}
    try:
        config = Config(folder=folder, id=name, **given)
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    (config.out / STOP).unlink(missing_ok=True)  # of an earlier start
    try:
        retrain(config, echo=click.echo)
    except Stopped:
        click.echo("stopped; the same command goes on")
        sys.exit(STOPPED)
    except Failed as error:
        raise click.ClickException(str(error)) from error
