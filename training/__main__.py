"""``python -m wearvision_training``: one group, heavy imports inside the commands."""

from __future__ import annotations

from pathlib import Path

import click

from wearvision_training.commands import COMMANDS
from wearvision_training.company.command import teaching_curve
from wearvision_training.desk_demo import desk_demo
from wearvision_training.finding.command import export_the_finder, train_the_finder
from wearvision_training.geometry import geometry
from wearvision_training.look_cost import look_cost
from wearvision_training.recipe import Engine


@click.group()
def main() -> None:
    """Draws, trains and judges: the workshop behind the released models."""


for _command in (*COMMANDS, desk_demo, geometry, teaching_curve, train_the_finder, export_the_finder, look_cost):
    main.add_command(_command)


@main.command("contact-sheet")
@click.option("--part", required=True, help="Registered part key, or 'none'.")
@click.option("--n", "count", default=24, show_default=True, type=click.IntRange(1, 400), help="Number of pictures.")
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="PNG to write.")
@click.option("--view", default=None, help="Only this view.")
@click.option("--family", "families", multiple=True, help="Only these families; may be repeated.")
@click.option("--fault", default=None, help="Make unfit photos: blurred, dark, tilted, …")
@click.option("--seed", default=0, show_default=True)
@click.option("--size", default=320, show_default=True, type=click.IntRange(64, 2000))
@click.option("--engine", type=click.Choice(["sketch", "pathtrace"]), default="sketch", show_default=True)
@click.option("--samples", default=64, show_default=True, help="Paths per pixel, where they are traced.")
@click.option("--outlines/--no-outlines", default=False, help="Draw the truth masks' outlines.")
def contact_sheet(
    part: str, count: int, out: Path, view: str | None, families: tuple[str, ...], fault: str | None,
    seed: int, size: int, engine: Engine, samples: int, outlines: bool,
) -> None:  # fmt: skip
    """Shows what the studio draws: pictures with the truth under each."""
    import numpy as np
    from PIL import Image
    from tqdm import tqdm

    from wearvision.errors import WearvisionError
    from wearvision_training.sheet import make_sheet
    from wearvision_training.studio import draw, sample_recipe

    try:
        rng = np.random.default_rng(seed)
        recipes = [
            sample_recipe(part, rng, families=families or None, view=view, fault=fault, engine=engine)
            for _ in range(count)
        ]
    except (WearvisionError, ValueError) as error:
        raise click.UsageError(str(error)) from error
    examples = (draw(recipe, size, samples=samples) for recipe in tqdm(recipes, unit="picture"))
    try:
        sheet = make_sheet(examples, outlines=outlines)
    except (RuntimeError, ValueError) as error:
        raise click.ClickException(str(error)) from error
    Image.fromarray(sheet).save(out)
    click.echo(f"{count} pictures in {out}")


if __name__ == "__main__":
    main(prog_name="python -m wearvision_training")
