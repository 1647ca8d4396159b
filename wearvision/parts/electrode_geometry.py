"""Geometry of the ignition electrode: a scene in, an outcome for each measure out."""

from __future__ import annotations

from wearvision.measure.bridge import bridge
from wearvision.measure.chip import chip_ratio, insulator_diameter_px
from wearvision.measure.cover import cover_ratio
from wearvision.measure.cracks import crack_ratio
from wearvision.measure.result import Measured, Outcome
from wearvision.measure.rod import find_tips, tip_loss
from wearvision.parts.spec import Scene
from wearvision.steps import Step

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
