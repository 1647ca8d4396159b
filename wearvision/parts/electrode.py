"""The ignition electrode: a metal rod in a ceramic insulator, one or a pair."""

from __future__ import annotations

from wearvision.measure.result import Outcome
from wearvision.parts.spec import Mark, Mode, PartSpec, Scene

SIDE = ("side",)


def measure(scene: Scene) -> dict[str, Outcome]:
    """The part's geometry. Its modules are loaded when a part of this kind is seen, so that the command starts fast."""
    from wearvision.parts.electrode_geometry import measure as measured

    return measured(scene)


ELECTRODE = PartSpec(
    key="electrode",
    title="ignition electrode",
    views=SIDE,
    required_views={"side": 2},
    modes=(
        Mode("residue", "residue_ratio", "carbon residue", SIDE, "residue", permanent=False),
        Mode("bridge", "bridge", "carbon bridge", SIDE, "bridge", permanent=False),
        Mode("crack", "crack_ratio", "cracked ceramic", SIDE, "crack"),
        Mode("chip", "chip_ratio", "chipped ceramic", SIDE, "chip"),
        Mode("tip wear", "tip_loss", "worn tip", SIDE, "rod"),
    ),
    regions=("ceramic", "rod", "residue", "bridge", "crack", "chip"),
    outlines=(),
    subject={"side": "part"},
    settings=("spark_gap", "tip_height", "reach"),
    advice=(
        "Photograph from the side, with the tip and at least two insulator diameters of ceramic in the picture.",
        "Use a plain, light background and let no shadow fall on the ceramic.",
        "Take a second picture from the other side: a crack shows on one side only.",
    ),
    measure=measure,
    marks=(
        Mark("tip", "rod", "outline", "the metal of the rod, from its tip to the ceramic", SIDE, points=4),
        Mark("other tip", "rod", "outline", "the metal of the other rod of a pair", SIDE, points=4),
        Mark("ceramic", "ceramic", "outline", "the ceramic insulator", SIDE, points=4),
        Mark(
            "other ceramic",
            "ceramic",
            "outline",
            "the insulator of the other rod, where it is one of its own",
            SIDE,
            points=4,
        ),
        Mark("crack", "crack", "line", "longest crack in the ceramic, without its branches", SIDE, points=2),
        Mark("residue", "residue", "area", "carbon on rod and ceramic", SIDE),
        Mark("bridge", "bridge", "area", "deposit that bridges or narrows the gap", SIDE),
        Mark("chip", "chip", "area", "ceramic missing from the outline", SIDE),
    ),
    by_hand={
        ("residue_ratio", "side"): ("residue", "tip", "ceramic"),
        ("bridge", "side"): ("bridge", "tip", "ceramic"),
        ("crack_ratio", "side"): ("crack", "ceramic"),
        ("chip_ratio", "side"): ("chip", "ceramic"),
        ("tip_loss", "side"): ("tip", "ceramic"),
    },
)
