"""Which design, wear and drawer belong to a part; imported only when a part is asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from typing import Any

import numpy as np

from wearvision.errors import UnknownPart
from wearvision.parts import PARTS
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.drawing import Drawing

NONE = "none"
"""Part key of pictures that show no part."""


@dataclass(frozen=True, slots=True)
class Entry:
    """How one part is designed, worn and drawn.

    Attributes:
        families: Family name to what tells it apart.
        views: The views that exist; ``("",)`` for things that are not parts.
        sample_design: Family, view, generator to a design.
        sample_wear: Design, view, generator to its wear.
        draw: Recipe, raster size to a drawing.
        weights: How often a family is drawn, against 1 for those not named.
    """

    families: Mapping[str, Any]
    views: tuple[str, ...]
    sample_design: Callable[[str, str, np.random.Generator], dict[str, Any]]
    sample_wear: Callable[[Mapping[str, Any], str, np.random.Generator], dict[str, Any]]
    draw: Callable[[Recipe, int], Drawing]
    weights: Mapping[str, float] = field(default_factory=dict)


def part_keys() -> tuple[str, ...]:
    """All keys that can be drawn: the registered parts, then ``"none"``."""
    return (*PARTS, NONE)


@cache
def entry(part: str) -> Entry:
    """The part's entry.

    Raises:
        UnknownPart: neither registered nor ``"none"``.
    """
    if part != NONE and part not in PARTS:
        raise UnknownPart(f"There is no part {part!r} to draw; known are {', '.join(part_keys())}.")
    module = "not_part" if part == NONE else part
    design = import_module(f"wearvision_training.designs.{module}")
    drawer = import_module(f"wearvision_training.sketch.{module}")
    if part == NONE:
        return Entry(design.FAMILIES, ("",), design.sample_design, _unworn, drawer.draw, design.WEIGHTS)
    wear = import_module(f"wearvision_training.wear.{module}")
    return Entry(design.FAMILIES, PARTS[part].views, design.sample_design, wear.sample_wear, drawer.draw)


def _unworn(design: Mapping[str, Any], view: str, rng: np.random.Generator) -> dict[str, Any]:
    return {}
