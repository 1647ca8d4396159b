"""The ignition electrode: a metal rod in a ceramic insulator, one or a pair."""

from __future__ import annotations

from wearvision.measure.result import Outcome
from wearvision.parts.spec import Mode, PartSpec, Scene

SIDE = ("side",)


def measure(scene: Scene) -> dict[str, Outcome]:
    """Geometry from the side: residue cover, bridge, crack length, chip and tip wear."""
    raise NotImplementedError


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
    subject={"side": "part"},
    settings=("spark_gap", "tip_height", "reach"),
    advice=(
        "Photograph from the side, with the tip and at least two insulator diameters of ceramic in the picture.",
        "Use a plain, light background and let no shadow fall on the ceramic.",
        "Take a second picture from the other side: a crack shows on one side only.",
    ),
    measure=measure,
)
