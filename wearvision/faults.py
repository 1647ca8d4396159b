"""Names of what makes a photo unfit, and how much of each a fit photo bears."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class FaultKind(StrEnum):
    """Names of the faults, as in the report."""

    BLURRED = "blurred"
    MOTION_BLURRED = "motion_blurred"
    TOO_DARK = "too_dark"
    SHADOWS_CLIPPED = "shadows_clipped"
    TOO_BRIGHT = "too_bright"
    LOW_CONTRAST = "low_contrast"
    TOO_NOISY = "too_noisy"
    GLARE = "glare"
    CUT_OFF = "cut_off"
    TOO_SMALL = "too_small"
    TOO_TILTED = "too_tilted"
    MORE_THAN_ONE = "more_than_one"


ADVICE: Mapping[FaultKind, str] = {
    FaultKind.BLURRED: "The part is out of focus (edges {value:.1f} pixels soft, {limit:.1f} allowed): "
    "tap on the part to focus, and keep the distance that the lens needs.",
    FaultKind.MOTION_BLURRED: "The camera moved by about {value:.0f} pixels ({course}): "
    "rest your hands on something or use more light.",
    FaultKind.TOO_DARK: "The picture is too dark: "
    "use more light, or tap on the part so that the camera exposes for it.",
    FaultKind.SHADOWS_CLIPPED: "{value:.0%} of the part is black without detail: "
    "tap on the part to expose for it, or light it from the side.",
    FaultKind.TOO_BRIGHT: "{value:.0%} of the part is overexposed: use less light or turn the flash off.",
    FaultKind.LOW_CONTRAST: "Hardly any contrast: wipe the camera's lens and keep lamps from shining into it.",
    FaultKind.TOO_NOISY: "Grain covers the part ({value:.1%} of the picture's contrast, {limit:.1%} allowed): "
    "use more light.",
    FaultKind.GLARE: "A reflection, {value:.0%} as wide as the window, covers what must be seen: "
    "turn the part or the lamp until it is gone.",
    FaultKind.CUT_OFF: "The part runs out of the picture: step back or centre it, so that it is in with a margin.",
    FaultKind.TOO_SMALL: "The part is too small in the picture ({value:.0f} pixels across, {limit:.0f} needed): "
    "go closer.",
    FaultKind.TOO_TILTED: "The part is tilted by {value:.0f} degrees ({limit:.0f} at most): "
    "hold the camera square to it.",
    FaultKind.MORE_THAN_ONE: "More than one part is in the picture: photograph one at a time.",
}
"""What mends a fault, one sentence each; data, because a phone without a link says the same."""

COURSES: tuple[str, ...] = ("sideways", "along the falling diagonal", "up and down", "along the rising diagonal")
"""Words for a shake's direction, from 0 degrees in steps of 45."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that makes a photo unfit.

    Attributes:
        kind: Which.
        value: What was found, in the unit of the limit of that name in ``FitnessLimits``.
        limit: What would have been fit.
        advice: One sentence for whoever holds the camera.
    """

    kind: FaultKind
    value: float
    limit: float
    advice: str

    @classmethod
    def of(cls, kind: FaultKind, value: float, limit: float, course: str = "") -> Fault:
        """The fault with its advice; ``course`` is the direction of a shake, in words."""
        return cls(kind, value, limit, ADVICE[kind].format(value=value, limit=limit, course=course))

    def to_dict(self) -> dict[str, str | float]:
        """As in the JSON report."""
        return {
            "kind": str(self.kind), "value": round(self.value, 4), "limit": round(self.limit, 4), "advice": self.advice
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class FitnessLimits:
    """What a fit photo keeps to. Common practice, no published source; chosen on drawn pictures.

    The *size* of a subject is the diameter of the largest circle inside it: a window's diameter, a
    rod's or shaft's thickness.

    Attributes:
        blur_px: Largest softness (Gaussian deviation) of the edges, working pixels. Photos in focus stay
            under 2.6, all but one in a hundred; of the studio's blurred ones nineteen in twenty are over 3.9. …
        blur_ratio: … or this share of the part's longer side, if that is more: the same picture, larger.
        shake_contrast: Softness along over across the shake from which it is shake, not focus.
        frame_blur_px: Largest softness of a whole picture in which no part was found, working pixels, …
        frame_blur_ratio: … or this share of its short side.
        dark_level: Least code (0 to 1) of the brightest twentieth in and around the part; a twentieth of white in
            linear light, below which codes are coarse. Metered photos stay over 0.4.
        black_ratio: Largest share of the part that is black without any detail.
        bright_ratio: Largest share of the part with any channel clipped, where the surroundings clip as well: the
            exposure is wrong then, not the part white, and a red part has lost its marks when its red is lost.
        washed_ratio: Share of the surroundings that says so.
        blank_ratio: Largest share of the part that is white in all channels, whatever the surroundings are.
        contrast: Least spread of codes (0 to 1, 1st to 99th percentile) in and around the part.
        noise_ratio: Largest deviation of the grain on the part in the halved picture, over that spread. Drawn photos
            stay under 0.025, sharpened path-traced ones under 0.045; half of the unusable ones are over 0.07.
        glare_ratio: Largest mirrored lamp, by diameter, over the window's: 0.3 is a tenth of the area and leaves the
            measures enough to go by; the studio's harmless glints stay under 0.2.
        outshines: Linear light of a window over everything around, from which it is a lamp's; white beside dark grey
            differs by less.
        cut_off_ratio: Longest share of the outline on the picture's edge, where the part must be whole. A circle
            loses 0.6 % of its diameter there, less than any limit on form.
        held_ratio: The same where the part may run out of the picture at one end.
        round_size_px: Least size of the subject of a round view; the network has learned none smaller.
        side_size_px: Least size of a part seen from the side: photos in the studio start at 22, its too small ones
            end at 14.
        tilt_deg: Largest tilt of a round view. The network has learned 35 degrees, and the outline tells tilt to 5 or
            so, more where wear bends it.
        second_ratio: Largest second part, by area, over the first.
    """

    blur_px: float = 3.4
    blur_ratio: float = 0.0138
    shake_contrast: float = 1.5
    frame_blur_px: float = 1.8
    frame_blur_ratio: float = 0.007
    dark_level: float = 0.25
    black_ratio: float = 0.5
    bright_ratio: float = 0.3
    washed_ratio: float = 0.2
    blank_ratio: float = 0.6
    contrast: float = 0.12
    noise_ratio: float = 0.045
    glare_ratio: float = 0.3
    outshines: float = 5.0
    cut_off_ratio: float = 0.05
    held_ratio: float = 0.25
    round_size_px: float = 60.0
    side_size_px: float = 20.0
    tilt_deg: float = 44.0
    second_ratio: float = 0.3
