"""The command ``train-finder``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click


@click.command("train-finder")
@click.option("--run", type=click.Path(path_type=Path), required=True, help="Folder for weights and what was done.")
@click.option(
    "--start", type=click.Path(exists=True, dir_okay=False), required=True, help="Weights of a grading network."
)
@click.option("--set", "sets", multiple=True, required=True, help="Set to learn from, FOLDER or FOLDER:SHARE.")
@click.option("--config", "recipe", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="A TOML file.")
@click.option("--size", type=int, default=160, show_default=True, help="Side of its input, a multiple of 32.")
@click.option("--steps", type=int, help="Optimiser steps.")
@click.option("--batch", type=int, help="Pictures a step.")
@click.option("--rate", type=float, help="Peak learning rate.")
@click.option("--time-limit", type=float, help="Seconds within which it has annealed and ended.")
@click.option("--photos", help="Folder of ordinary photographs, as examples of what is no part.")
@click.option("--device", help="cpu, cuda or auto.")
def train_the_finder(run: Path, recipe: Path | None, sets: tuple[str, ...], **options: object) -> None:
    """Trains the small network that finds the part in the whole photo."""
    from wearvision_training.finding.train import train_finder
    from wearvision_training.school.config import Config, SetChoice

    changes = {name: value for name, value in options.items() if value is not None}
    try:
        config = (Config.read(recipe) if recipe else Config()).changed(changes)
        train_finder(replace(config, sets=tuple(SetChoice.parse(one) for one in sets)), run)
    except (ValueError, OSError) as error:
        raise click.UsageError(str(error)) from error


@click.command("export-finder")
@click.option("--weights", type=click.Path(exists=True, path_type=Path), required=True, help="finder.safetensors.")
@click.option("--model", type=click.Path(exists=True, file_okay=False, path_type=Path), required=True)
@click.option("--set", "folder", type=click.Path(exists=True, path_type=Path), required=True, help="For parity.")
@click.option("--pictures", "count", type=int, default=16, show_default=True, help="For parity.")
def export_the_finder(weights: Path, model: Path, folder: Path, count: int) -> None:
    """Puts a trained finder into a model folder, after checking that both runtimes agree."""
    import shutil

    from wearvision_training.dataset import PictureSet
    from wearvision_training.finding.export import export_finder, load_finder
    from wearvision_training.finding.train import WEIGHTS_FILE

    network, size = load_finder(weights)
    pictures = PictureSet.load(folder, limit=count).inputs(count, size)
    difference = export_finder(network, model, size=size, pictures=pictures)
    shutil.copyfile(weights, model / WEIGHTS_FILE)
    click.echo(f"largest difference between the runtimes over {len(pictures)} pictures: {difference:.1e}")
