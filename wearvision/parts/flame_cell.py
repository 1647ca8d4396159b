"""The flame-sensing cell: a cadmium-sulphide photocell behind a clear window."""

from __future__ import annotations

import numpy as np

from wearvision.measure.clouding import film_and_haze
from wearvision.measure.cover import cover_ratio
from wearvision.measure.cracks import crack_ratio
from wearvision.measure.result import Outcome
from wearvision.measure.rim import rim_deviation, window_cue
from wearvision.parts.spec import Mark, Mode, PartSpec, Scene
from wearvision.steps import Step

FACE = ("face",)


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
        new = scene.reference
        found |= film_and_haze(scene.image, scene.mask("window"), new.image, new.mask("window"))
    return found


FLAME_CELL = PartSpec(
    key="flame_cell",
    title="flame-sensing cell",
    views=FACE,
    required_views={"face": 1},
    modes=(
        Mode("film", "film_loss", "film on the window", FACE, "film", permanent=False),
        Mode("clouding", "haze", "clouded window", FACE, "clouding"),
        Mode("crack", "crack_ratio", "cracked window", FACE, "crack"),
        Mode("scorch", "scorch_ratio", "scorched element", FACE, "scorch"),
        Mode("housing", "rim_deviation", "rim out of round", FACE, "rim"),
    ),
    regions=("window", "rim", "film", "clouding", "crack", "scorch"),
    outlines=("window", "rim"),
    subject={"face": "window"},
    settings=(),
    advice=(
        "Hold the phone square to the window, so that the rim looks round.",
        "Let the window fill between a fifth and nine tenths of the short side of the picture.",
        "Turn until no lamp or sky is mirrored in the window.",
    ),
    measure=measure,
    marks=(
        Mark("window", "window", "outline", "edge of the visible window", FACE, points=12),
        Mark("rim", "rim", "outline", "outer edge of the front rim", FACE, points=12),
        Mark("crack", "crack", "line", "longest crack, without its branches", FACE, points=2),
        Mark("scorch", "scorch", "area", "burned or blistered element", FACE),
        Mark("film", "film", "area", "film on the window", FACE),
        Mark("clouding", "clouding", "area", "clouded window", FACE),
    ),
    by_hand={
        ("crack_ratio", "face"): ("crack", "window"),
        ("scorch_ratio", "face"): ("scorch", "window"),
        ("rim_deviation", "face"): ("rim",),
    },
    geometry_off={("rim_deviation", "face"): (0.001, 0.002)},
    matched=("film_loss", "haze"),
)
