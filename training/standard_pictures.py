"""Small pictures for the labelling desk: each wear mode at each grade it can give, with nothing else worn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import click
import numpy as np
from PIL import Image

from wearvision.parts import PARTS, Mode
from wearvision.standard.grades import Grade
from wearvision.standard.limits import Limits, Row, load_limits
from wearvision_training import studio
from wearvision_training.example import Example
from wearvision_training.families import families

SIDE = 320
SHOWN = 240
QUALITY = 74
ROUGH = 96
MOST_TRIES = 4000
PLAIN = 3.0
"""A picture of a grade lies at most this many times over where the grade begins: neither a scrape nor a wreck."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One picture: which mode of which view it shows, at which grade."""

    part: str
    view: str
    mode: Mode
    grade: Grade

    @property
    def name(self) -> str:
        """Of the file."""
        return f"{self.part}-{self.view}-{self.mode.key.replace(' ', '_')}-{self.grade}.jpg"


def wanted(limits: Limits) -> Iterator[Shown]:
    """All pictures, in the order of parts, views, modes and grades."""
    for part, spec in PARTS.items():
        for view in spec.views:
            for mode in spec.modes:
                if view in mode.views:
                    for grade in limits.row(part, mode.measure).grades:
                        yield Shown(part, view, mode, grade)


def band(row: Row, grade: Grade) -> tuple[float, float]:
    """From which to which value a picture shows a grade plainly; a mode that any trace decides shows none at all."""
    if grade == "serviceable":
        return (0.0, 0.0) if row.any_is_replace or row.clean_from == row.serviceable_below else (
            0.2 * row.serviceable_below, 0.9 * row.serviceable_below)  # fmt: skip
    if grade == "clean-and-reuse":
        low = float(row.clean_from or 0.0)
        return low, row.clean_to if row.clean_to is not None else PLAIN * low
    return float(row.replace_from or 0.0), PLAIN * float(row.replace_from or 0.0)


def shows(example: Example, one: Shown, limits: Limits) -> bool:
    """Whether a picture shows its mode in the band, and every other mode surely serviceable."""
    for measure, value in example.measures.items():
        if value is None:
            if measure == one.mode.measure:
                return False
            continue
        row = limits.row(one.part, measure)
        if measure == one.mode.measure:
            low, high = band(row, one.grade)
            if not low <= value <= high:
                return False
        elif value > 0.5 * row.serviceable_below:
            return False
    return True


def make(part: str, view: str, asked: Iterable[Shown], limits: Limits, seed: int) -> Iterator[tuple[Shown, Example]]:
    """Pictures by chance, each for the first that it shows; ends when all are there or after ``MOST_TRIES``."""
    waiting = list(asked)
    for number in range(MOST_TRIES):
        rng = np.random.default_rng([seed, *f"{part}-{view}".encode(), number])
        recipe = studio.sample_recipe(part, rng, families=families(part, "train"), view=view)
        rough = studio.draw(recipe, ROUGH)
        for one in [one for one in waiting if shows(rough, one, limits)]:
            example = studio.draw(recipe, SIDE)
            if shows(example, one, limits):
                waiting.remove(one)
                yield one, example
                break
        if not waiting:
            return
    for one in waiting:
        click.echo(f"{one.name}: none in {MOST_TRIES} tries", err=True)


@click.command("standard-pictures")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write.")
@click.option("--seed", type=int, default=4, show_default=True)
def standard_pictures(out: Path, seed: int) -> None:
    """Draws the pictures that stand beside each wear mode on the labelling desk."""
    limits = load_limits()
    out.mkdir(parents=True, exist_ok=True)
    for (part, view), asked in groupby(wanted(limits), key=lambda one: (one.part, one.view)):
        for one, example in make(part, view, asked, limits, seed):
            picture = Image.fromarray(example.image).resize((SHOWN, SHOWN), Image.Resampling.LANCZOS)
            picture.save(out / one.name, quality=QUALITY, optimize=True)
            click.echo(f"{one.name} {example.measures[one.mode.measure]:.3f}")
