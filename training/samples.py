"""Sample pictures for README, demo and tests: each a JPEG with its truth in a JSON file beside it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import click
import numpy as np
from PIL import Image

from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision_training import studio
from wearvision_training.dataset import truth_of
from wearvision_training.families import families

SIDE = 640
SAMPLES = 64
"""Paths per pixel."""
EACH = 2
UNFIT = ("blurred", "dark", "shaken", "cut_off")
QUALITY = 88
MOST_TRIES = 200


@dataclass(frozen=True, slots=True)
class Wanted:
    """One sample: its file name, what it shows, and which grade or fault it must have."""

    name: str
    part: str
    view: str | None = None
    grade: str | None = None
    fault: str | None = None


def wanted() -> Iterator[Wanted]:
    """All samples: each part, view and grade twice, things that are no part, and unfit photos."""
    for part, spec in PARTS.items():
        for view in spec.views:
            for grade in GRADES:
                for number in range(1, EACH + 1):
                    yield Wanted(f"{part}-{view}-{grade}-{number}", part, view, grade)
    for number in range(1, 4):
        yield Wanted(f"not-a-part-{number}", "none")
    for fault in UNFIT:
        yield Wanted(f"unfit-{fault.replace('_', '-')}", "flame_cell", fault=fault)


def make(item: Wanted, seed: int) -> tuple[np.ndarray, dict[str, object]]:
    """The picture and its truth; recipes are tried in order until one has the wanted grade, clear of guard bands.

    Raises:
        LookupError: none has, within ``MOST_TRIES``.
    """
    for number in range(MOST_TRIES):
        rng = np.random.default_rng([seed, *item.name.encode(), number])
        recipe = studio.sample_recipe(
            item.part, rng, families=families(item.part, "test"), view=item.view, fault=item.fault, engine="pathtrace"
        )
        if item.grade is not None:
            # The sketch of the same record has nearly the same truth, in a hundredth of the time.
            quick = truth_of(studio.draw(replace(recipe, engine="sketch"), 128))
            if quick["grade"] != item.grade or quick["borderline"]:
                continue
        example = studio.draw(recipe, SIDE, samples=SAMPLES)
        truth = truth_of(example)
        if item.grade is None or (truth["grade"] == item.grade and not truth["borderline"]):
            return example.image, {**truth, "fault": item.fault}
    raise LookupError(f"no recipe for {item} in {MOST_TRIES} tries")


@click.command("samples")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder to write.")
@click.option("--seed", type=int, default=2, show_default=True)
def samples(out: Path, seed: int) -> None:
    """Renders the sample pictures, of design families that are held out for tests."""
    out.mkdir(parents=True, exist_ok=True)
    for item in wanted():
        image, truth = make(item, seed)
        Image.fromarray(image).save(out / f"{item.name}.jpg", quality=QUALITY)
        (out / f"{item.name}.json").write_text(json.dumps(truth, indent=1), "utf-8")
        click.echo(item.name)
