"""Geometry of the flame-sensing cell: a scene in, an outcome for each measure out."""

from __future__ import annotations

import numpy as np

from wearvision.measure.cover import cover_ratio
from wearvision.measure.cracks import crack_ratio
from wearvision.measure.result import Outcome
from wearvision.measure.rim import rim_deviation, window_cue
from wearvision.parts.spec import Scene
from wearvision.steps import Step

CRACK_FLOOR, CRACK_PLAIN = 0.05, 0.15
"""Between these a crack needs pixels enough to be told from none (the standard's two limits)."""


def measure(scene: Scene) -> dict[str, Outcome]:
    """Geometry of the cell's face: rim form, crack length, scorch, and film and haze against a reference."""
    found: dict[str, Outcome] = {}
    with Step("window"):
        edge = window_cue(scene.soft("window"))
    diameter = 2 * float(np.sqrt(edge.major * edge.minor)) if edge is not None else None
    with Step("crack"):
        found["crack_ratio"] = crack_ratio(scene.mask("crack"), diameter, floor=CRACK_FLOOR, plain=CRACK_PLAIN)
    with Step("scorch"):
        found["scorch_ratio"] = cover_ratio(scene.mask("scorch"), scene.mask("window"))
    with Step("rim"):
        found["rim_deviation"] = rim_deviation(scene.soft("rim"), edge)
    if scene.reference is not None:
        from wearvision.measure.clouding import film_and_haze  # a reference is rare, a fast start is not

        new = scene.reference
        found |= film_and_haze(scene.image, scene.mask("window"), new.image, new.mask("window"))
    return found
