"""The command ``benchmark``: parses, then leaves the measuring to ``wearvision_training.timing``."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command("benchmark")
@click.option("--model", type=click.Path(exists=True, path_type=Path), help="Model folder; the default release else.")
@click.option("--weights", type=click.Path(exists=True, path_type=Path), help="weights.safetensors; the model's else.")
@click.option("--part", default="flame_cell", show_default=True, help="Registered part key.")
@click.option("--repeats", type=click.IntRange(3, 200), default=15, show_default=True, help="Rounds, in turns.")
@click.option("--starts", type=click.IntRange(1, 50), default=5, show_default=True, help="Cold starts.")
@click.option("--venv", type=click.Path(exists=True, path_type=Path), help="Environment whose size is to be told.")
@click.option("--json", "out", type=click.Path(path_type=Path), help="Also write the figures here.")
def benchmark(
    model: Path | None, weights: Path | None, part: str, repeats: int, starts: int, venv: Path | None, out: Path | None
) -> None:
    """Times grading of one 12-megapixel photo against bare decoding and against PyTorch; memory and size too."""
    from wearvision.errors import WearvisionError
    from wearvision.network import ModelFolder
    from wearvision_training.timing import install_mib, measure, table

    try:
        folder = ModelFolder.open(model).path
        trained = weights or folder / "weights.safetensors"
        figures = measure(folder, part, weights=trained, repeats=repeats, starts=starts)
        if venv is not None:
            figures["install_mib"] = install_mib(venv)
    except (WearvisionError, ValueError, OSError, RuntimeError) as error:  # PyTorch's for weights that do not fit
        raise click.ClickException(str(error)) from error
    if out is not None:
        out.write_text(json.dumps(figures, indent=1), "utf-8")
    click.echo(table(figures))
