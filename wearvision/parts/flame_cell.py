"""The flame-sensing cell: a cadmium-sulphide photocell behind a clear window."""

from __future__ import annotations

from wearvision.measure.result import Outcome
from wearvision.parts.spec import Mode, PartSpec, Scene

FACE = ("face",)


def measure(scene: Scene) -> dict[str, Outcome]:
    """Geometry of the cell's face: rim form, crack length, scorch, and film and haze against a reference."""
    raise NotImplementedError


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
    subject={"face": "window"},
    settings=(),
    advice=(
        "Hold the phone square to the window, so that the rim looks round.",
        "Let the window fill between a fifth and nine tenths of the short side of the picture.",
        "Turn until no lamp or sky is mirrored in the window.",
    ),
    measure=measure,
)
