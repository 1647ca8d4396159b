"""The commands ``evaluate``, ``refusal`` and ``nudges``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command("evaluate")
@click.option("--model", type=FOLDER, required=True, help="Model folder.")
@click.option("--set", "folder", type=FOLDER, required=True, help="Labelled set.")
@click.option("--against", type=FOLDER, help="Another model folder to compare with on the same pictures.")
@click.option("--stress", is_flag=True, help="Grade again as JPEG 50, at half size, one stop brighter and darker.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Write report.html and report.json here.")
@click.option("--json", "figures_file", type=click.Path(path_type=Path), help="Write the figures to this file too.")
@click.option("--workers", type=click.IntRange(1), default=2, show_default=True)
def evaluate_model(
    model: Path,
    folder: Path,
    against: Path | None,
    stress: bool,
    out: Path | None,
    figures_file: Path | None,
    workers: int,
) -> None:
    """Grades a labelled set as a user would, prints how often it was right, and writes a report of it."""
    from wearvision_training.assessment.report import assess, write_page
    from wearvision_training.assessment.table import table
    from wearvision_training.dataset import PictureSet

    pictures = PictureSet.load(folder)
    figures = assess(model, pictures, name=folder.name, against=against, stress=stress, workers=workers)
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        write_page(figures, model, pictures, out / "report.html")
        _write(figures, out / "report.json")
    if figures_file is not None:
        _write(figures, figures_file)
    click.echo(table(figures))


@click.command("refusal")
@click.option("--model", type=FOLDER, required=True, help="Model folder.")
@click.option("--set", "folder", type=FOLDER, required=True, help="Labelled set with parts and things that are none.")
@click.option("--json", "figures_file", type=click.Path(path_type=Path), help="Write the figures to this file too.")
@click.option("--workers", type=click.IntRange(1), default=2, show_default=True)
def refusal(model: Path, folder: Path, figures_file: Path | None, workers: int) -> None:
    """Compares scores by which a photo could be refused as not a part or not known."""
    from wearvision_training.assessment.refusal import compare_scores, look_at, refusal_table
    from wearvision_training.dataset import PictureSet

    try:
        figures = compare_scores(look_at(model, PictureSet.load(folder), workers=workers))
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    if figures_file is not None:
        _write(figures, figures_file)
    click.echo(refusal_table(figures))


@click.command("nudges")
@click.option("--model", type=FOLDER, required=True, help="Model folder, with weights.safetensors.")
@click.option(
    "--set", "folder", type=FOLDER, required=True, help="Labelled set; those surely to be replaced are taken."
)
@click.option("--limit", type=click.IntRange(1), help="At most so many pictures.")
@click.option("--device", default="cpu", show_default=True, help="Torch device of the gradient.")
@click.option("--plain", is_flag=True, help="Leave the gradient out.")
@click.option("--json", "figures_file", type=click.Path(path_type=Path), help="Write the figures to this file too.")
@click.option("--workers", type=click.IntRange(1), default=2, show_default=True)
def nudges(
    model: Path,
    folder: Path,
    limit: int | None,
    device: str,
    plain: bool,
    figures_file: Path | None,
    workers: int,
) -> None:
    """Tells how small a change of the photo makes a part that must be replaced a serviceable one."""
    from wearvision_training.assessment.nudges import BUDGETS, nudged, nudges_table
    from wearvision_training.dataset import PictureSet

    budgets = () if plain else BUDGETS
    figures = nudged(model, PictureSet.load(folder), workers=workers, device=device, limit=limit, budgets=budgets)
    if figures_file is not None:
        _write(figures, figures_file)
    click.echo(nudges_table(figures))


def _write(figures: dict[str, Any], file: Path) -> None:
    file.write_text(json.dumps(figures, indent=1), "utf-8")
