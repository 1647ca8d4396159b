"""From a record to a path-traced picture: the part's model, its surroundings, the engine."""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import cache
from importlib import import_module
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wearvision_training.pathtrace.engine import render
from wearvision_training.pathtrace.solid import Model
from wearvision_training.pathtrace.surroundings import build
from wearvision_training.pathtrace.tracer import choose_variant
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.catalogue import NONE
from wearvision_training.sketch.engine import Picture

LEAST_RASTER, LARGEST_RASTER = 384, 1024


def shoot(recipe: Recipe, size: int, samples: int) -> tuple[Model, Picture]:
    """The model of a record and its picture.

    Args:
        recipe: Sampled for the path tracer.
        size: Side of the picture in pixels, a multiple of 4.
        samples: Paths per pixel.
    """
    choose_variant()
    module = "not_part" if recipe.part == NONE else recipe.part
    wanted = 1.3 * float(recipe.camera["scale"]) * size
    raster = int(np.clip(16 * round(wanted / 16), LEAST_RASTER, LARGEST_RASTER))
    model: Model = import_module(f"wearvision_training.pathtrace.{module}").model(recipe, raster)
    world = build(recipe, model.floor, photos=photographs())
    return model, render(model, world, recipe, size, samples=samples)


@cache
def photographs() -> Sequence[NDArray[np.uint8]]:
    """Ordinary photographs for benches and rooms of training pictures, from the folder ``WEARVISION_PHOTOS``.

    Returns:
        RGB pictures, none where the variable is not set: the studio needs no photograph.
    """
    import cv2

    folder = os.environ.get("WEARVISION_PHOTOS")
    if not folder:
        return ()
    files = sorted(Path(folder).glob("*.jpg"))
    read = [cv2.imread(str(file), cv2.IMREAD_COLOR) for file in files]
    return tuple(np.asarray(picture[..., ::-1], np.uint8) for picture in read if picture is not None)
