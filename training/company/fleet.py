"""The simulated company's machines, parts and phone, as records that the studio draws.

One design family a part that no training saw, a few models of each; one phone, worn and set badly, whose photos went
through a messenger; a bench and lamps of the company's own. Parts of one machine are of one model.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wearvision_training.dataset import SHARES
from wearvision_training.recipe import Engine, Recipe
from wearvision_training.scenes.bench import linear_colour
from wearvision_training.sketch.catalogue import NONE, entry
from wearvision_training.studio import sample_recipe

FAMILIES = {"flame_cell": "slotted-collar", "electrode": "block_shouldered", "coupler": "hex_bar"}
"""Of those that only tests see (``families``), one a part."""
MODELS = 3
"""Models of burner in the fleet: designs of a family and view."""
PHOTOS_A_MACHINE = 4


@dataclass(frozen=True, slots=True)
class Taken:
    """One photo of the company: the record to draw, and the machine that the part came from."""

    recipe: Recipe
    machine: str


def taken(count: int, seed: int, *, engine: Engine = "sketch", first_machine: int = 0) -> Iterator[Taken]:
    """Photos of the company's machines, in the order in which they came.

    Args:
        count: How many.
        seed: Of parts, wear and scenes; the designs and the phone are the company's and stay.
        engine: Who draws them.
        first_machine: Number of the first machine, so that two draws share none.
    """
    for index in range(count):
        rng = np.random.default_rng([seed, index])
        number = first_machine + index // PHOTOS_A_MACHINE
        part = str(rng.choice(list(SHARES), p=list(SHARES.values())))
        yield Taken(_recipe(part, number % MODELS, rng, engine), f"OH-{number:04d}")


def _recipe(part: str, model: int, rng: np.random.Generator, engine: Engine) -> Recipe:
    if part == NONE:
        return _by_company(sample_recipe(NONE, rng, engine=engine), rng)
    views = entry(part).views
    view = str(rng.choice(list(views)))
    design = _design(part, view, model)
    return _by_company(
        sample_recipe(part, rng, families=[FAMILIES[part]], view=view, design=design, engine=engine), rng
    )


def _design(part: str, view: str, model: int) -> dict[str, Any]:
    """A model's part as it was when new; the same each time."""
    own = np.random.default_rng([model, *view.encode()])
    return entry(part).sample_design(FAMILIES[part], view, own)


def _by_company(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """The record with the company's phone and bench in place of those by chance."""
    camera = {**recipe.camera, **_phone(rng)}
    light = {**recipe.scene["light"], "tint": 0.09, "vignette": 0.35}
    bench = {
        **recipe.scene["bench"],
        "kind": "rubber",
        "colour": linear_colour(0.55, 0.35, 0.32),
        "second": linear_colour(0.08, 0.3, 0.22),
        "stains": float(rng.uniform(0.6, 1.0)),
        "specks": int(rng.integers(60, 160)),
    }
    return replace(recipe, camera=camera, scene={**recipe.scene, "light": light, "bench": bench})


def _phone(rng: np.random.Generator) -> dict[str, Any]:
    """A scratched lens, under-exposed, noisy, cold and sent twice; fit to judge all the same."""
    return {
        "defocus_px": float(rng.uniform(0.8, 1.3)),
        "exposure_ev": float(np.clip(rng.normal(-0.9, 0.2), -1.4, -0.4)),
        "iso": float(rng.uniform(0.02, 0.04)),
        "white_error": [float(0.82 * np.exp(rng.normal(0, 0.02))), float(1.2 * np.exp(rng.normal(0, 0.02)))],
        "adaptation": 0.4,
        "sharpen": 0.9,
        "sharpen_px": 1.6,
        "contrast": 0.9,
        "saturation": 1.3,
        "black": 0.03,
        "rescale": 0.6,
        "jpeg": int(rng.integers(38, 48)),
        "jpeg_again": int(rng.integers(45, 55)),
    }
