"""The drive coupler: a moulded plastic shaft from blower motor to fuel pump."""

from __future__ import annotations

from wearvision.measure.result import Outcome
from wearvision.parts.spec import Mark, Mode, PartSpec, Scene

END = ("end",)
SIDE = ("side",)
BOTH = ("end", "side")


def measure(scene: Scene) -> dict[str, Outcome]:
    """The part's geometry. Its modules are loaded when a part of this kind is seen, so that the command starts fast."""
    from wearvision.parts.coupler_geometry import measure as measured

    return measured(scene)


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
    outlines=("face", "socket"),
    subject={"end": "face", "side": "part"},
    settings=(),
    advice=(
        "Look straight into the drive socket, so that the end looks round.",
        "From the side, lay it flat on something plain and take it whole.",
        "Take both ends, and two sides a quarter turn apart.",
    ),
    measure=measure,
    marks=(
        Mark("face", "face", "outline", "outer outline of the end", END, points=12),
        Mark("socket", "socket", "outline", "edge of the drive socket", END, points=4),
        Mark("part", "part", "outline", "the whole part", BOTH, points=4),
        Mark("crack", "crack", "line", "longest crack, without its branches", BOTH, points=2),
        Mark("grime", "grime", "area", "dust, oil or soot that wipes off", BOTH),
    ),
    by_hand={
        ("grime_ratio", "end"): ("grime", "part"),
        ("grime_ratio", "side"): ("grime", "part"),
        ("profile_deviation", "end"): ("face",),
        ("corner_rounding", "end"): ("socket",),
        ("tooth_loss", "end"): ("socket",),
        ("crack_ratio", "end"): ("crack", "face", "socket"),
        ("crack_ratio", "side"): ("crack", "part"),
        ("bow_ratio", "side"): ("part",),
    },
    geometry_off={
        ("profile_deviation", "end"): (0.06, 0.035),
        ("corner_rounding", "end"): (0.20, 0.01),
        ("tooth_loss", "end"): (0.10, 0.13),
        ("crack_ratio", "end"): (0.03, 0.005),
        ("crack_ratio", "side"): (0.25, 0.0),
        ("bow_ratio", "side"): (0.005, 0.025),
    },
)
