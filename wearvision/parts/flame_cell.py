"""The flame-sensing cell: a cadmium-sulphide photocell behind a clear window."""

from __future__ import annotations

from wearvision.measure.result import Outcome
from wearvision.parts.spec import Mark, Mode, PartSpec, Scene

FACE = ("face",)


def measure(scene: Scene) -> dict[str, Outcome]:
    """The part's geometry. Its modules are loaded when a part of this kind is seen, so that the command starts fast."""
    from wearvision.parts.flame_cell_geometry import measure as measured

    return measured(scene)


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
