"""The ignition electrode: a metal rod in a ceramic insulator, one or a pair."""

from __future__ import annotations

from wearvision.measure.bridge import bridge
from wearvision.measure.chip import chip_ratio, insulator_diameter_px
from wearvision.measure.cover import cover_ratio
from wearvision.measure.cracks import crack_ratio
from wearvision.measure.result import Measured, Outcome
from wearvision.measure.rod import find_tips, tip_loss
from wearvision.parts.spec import Mark, Mode, PartSpec, Scene
from wearvision.steps import Step

SIDE = ("side",)

# The wear standard's detection floor and what it scores as a crack; no limits, so no site changes them.
CRACK_FLOOR, CRACK_SCORED = 0.10, 0.25


def measure(scene: Scene) -> dict[str, Outcome]:
    """Geometry from the side: residue cover, bridge, crack length, chip and tip wear.

    A reference photo of the part when new says what form the tip had; else it is taken as cut square.
    """
    rod, ceramic, residue, marked = (scene.mask(name) for name in ("rod", "ceramic", "residue", "bridge"))
    found: dict[str, Outcome] = {}
    with Step("rods"):
        tips = find_tips(scene.soft("rod"), ceramic)
    thickness = max((tip.diameter_px for tip in tips), default=1.0)
    with Step("residue"):
        found["residue_ratio"] = cover_ratio(residue, rod | ceramic)
    with Step("bridge"):
        found["bridge"] = bridge([tip.rod for tip in tips], ceramic, residue, marked, diameter_px=thickness)
    with Step("crack"):
        wide = insulator_diameter_px(ceramic)
        found["crack_ratio"] = crack_ratio(scene.mask("crack"), wide, floor=CRACK_FLOOR, plain=CRACK_SCORED)
    with Step("chip"):
        found["chip_ratio"] = chip_ratio(scene.mask("chip"), ceramic)
    with Step("tips"):
        new = _loss_when_new(scene.reference)
        found["tip_loss"] = tip_loss(tips, deposit=residue | marked, new_loss=new)
    return found


def _loss_when_new(reference: Scene | None) -> float:
    """The reference's own ``tip_loss``: what a round or pointed tip lacks already when new."""
    if reference is None:
        return 0.0
    found = tip_loss(find_tips(reference.soft("rod"), reference.mask("ceramic")))
    return min(found.value, 0.9) if isinstance(found, Measured) else 0.0


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
