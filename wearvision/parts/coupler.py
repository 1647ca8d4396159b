"""The drive coupler: a moulded plastic shaft from blower motor to fuel pump."""

from __future__ import annotations

from wearvision.measure.result import Outcome
from wearvision.parts.spec import Mode, PartSpec, Scene

END = ("end",)
SIDE = ("side",)
BOTH = ("end", "side")


def measure(scene: Scene) -> dict[str, Outcome]:
    """Geometry of an end (outline, drive corners, teeth, crack) or of a side (bow, crack), and grime cover."""
    raise NotImplementedError


COUPLER = PartSpec(
    key="coupler",
    title="drive coupler",
    views=BOTH,
    required_views={"end": 2, "side": 2},
    modes=(
        Mode("grime", "grime_ratio", "grime", BOTH, "grime", permanent=False),
        Mode("end deformation", "profile_deviation", "end out of shape", END, "face"),
        Mode("drive rounding", "corner_rounding", "drive corners rounded", END, "socket"),
        Mode("tooth loss", "tooth_loss", "teeth worn", END, "socket"),
        Mode("crack", "crack_ratio", "cracked", BOTH, "crack"),
        Mode("bow", "bow_ratio", "bent", SIDE, "part"),
    ),
    regions=("face", "socket", "grime", "crack"),
    subject={"end": "face", "side": "part"},
    settings=(),
    advice=(
        "Look straight into the drive socket, so that the end looks round.",
        "From the side, lay it flat on something plain and take it whole.",
        "Take both ends, and two sides a quarter turn apart.",
    ),
    measure=measure,
)
