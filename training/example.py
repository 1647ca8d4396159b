"""One labelled picture: what training, calibration and evaluation read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wearvision_training.recipe import Recipe


@dataclass(frozen=True, slots=True)
class Example:
    """A picture with its truth.

    Attributes:
        image: RGB, (S, S, 3) uint8.
        masks: Every region's name to its visible mask, (S, S) bool; all False where the picture has none.
        weights: ``"film"`` and ``"clouding"``: f and h as seen, (S, S) float32, 0 outside the window.
        part: Registered part key, or ``"none"``.
        view: The view shown; ``""`` for none.
        measures: Measure name to truth for the part's measures, None where this view can't show it.
        recipe: What was drawn; ``studio.draw`` makes the same bytes from it again.
        notes: Further truth in picture pixels and plane units (homography, crack trace, …), plain JSON values.
    """

    image: NDArray[np.uint8]
    masks: Mapping[str, NDArray[np.bool_]]
    weights: Mapping[str, NDArray[np.float32]]
    part: str
    view: str
    measures: Mapping[str, float | None]
    recipe: Recipe
    notes: Mapping[str, object] = field(default_factory=dict)
