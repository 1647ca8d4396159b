"""Surfaces of benches by kind."""

from __future__ import annotations

from collections.abc import Callable

from wearvision_training.pathtrace import bench_hard as hard
from wearvision_training.pathtrace import bench_soft as soft
from wearvision_training.pathtrace.bench_sheet import Sheet, Surface

SURFACES: dict[str, Callable[[Sheet], Surface]] = {
    "wood": hard.wood, "steel": hard.steel, "rag": soft.rag, "cardboard": soft.cardboard,
    "concrete": hard.concrete, "paint": hard.paint, "paper": soft.paper, "print": soft.printed,
    "glove": soft.leather, "skin": soft.leather, "tray": hard.tray, "rubber": soft.rubber,
    "tile": hard.tile, "plate": hard.plate, "foil": soft.foil, "gravel": soft.gravel,
    "burner": hard.burner, "plain": hard.plain,
}  # fmt: skip
"""A bench's kind to its surface; the kinds are those of ``scenes.bench``."""
