"""Is a photo fit to judge? Each fault has a name, a value, its limit and the advice that mends it.

Faults are looked for where they matter: on the part and on the region that the part's own description
calls the subject (a cell's window, a coupler's end). Limits are common practice, no published source; they
were chosen on drawn pictures degraded in known steps.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import require_mask, require_rgb
from wearvision.measure.focus import EdgeSpread, edge_spread
from wearvision.measure.regions import bounds
from wearvision.parts import PartSpec, part_spec
from wearvision.parts.spec import Mask

ROUND_VIEWS = frozenset({"face", "end"})
"""Views that look along a part's axis: the subject is about round and there is one of it."""

_GLARE_CODE = 250  # a sensor clips below 255 once a JPEG has been over it
_BLACK_CODE = 3
_BAND = 0.03  # of the subject's size: the part's outline counts as part for focus
_SURROUND = 0.25  # of the subject's size: how far around the part brightness is judged


class FaultKind(StrEnum):
    """Names of the faults, as in the report."""

    BLURRED = "blurred"
    MOTION_BLURRED = "motion_blurred"
    TOO_DARK = "too_dark"
    SHADOWS_CLIPPED = "shadows_clipped"
    TOO_BRIGHT = "too_bright"
    LOW_CONTRAST = "low_contrast"
    GLARE = "glare"
    CUT_OFF = "cut_off"
    TOO_SMALL = "too_small"
    TOO_TILTED = "too_tilted"
    MORE_THAN_ONE = "more_than_one"


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
        blur_px: Largest softness (Gaussian deviation) of the strongest edges, working pixels, …
        blur_ratio: … or this share of the subject's size, if that is more: a larger part bears more.
        motion_px: Longest camera shake, working pixels, …
        motion_ratio: … or this share of the subject's size.
        motion_contrast: Softness along over across the shake from which it is shake, not focus.
        frame_blur_ratio: Largest softness of a whole picture, share of its short side.
        dark_level: Least code (0 to 1) of the brightest twentieth in and around the part.
        black_ratio: Largest share of the part that is black without any detail.
        bright_ratio: Largest share of the part that is white without any detail.
        contrast: Least spread of codes (0 to 1, 1st to 99th percentile) in and around the part.
        glare_ratio: Largest share of a round view's subject under glare.
        side_glare_ratio: The same for a side view, where polished metal always shines somewhere.
        cut_off_ratio: Longest share of the outline on the picture's edge, where the part must be whole.
        held_ratio: The same where the part may run out of the picture at one end.
        round_size_px: Least size of the subject of a round view.
        side_size_px: Least size of a part seen from the side.
        tilt_deg: Largest tilt of a round view.
        second_ratio: Largest second part, by area, over the first.
    """

    blur_px: float = 1.8
    blur_ratio: float = 0.009
    motion_px: float = 4.0
    motion_ratio: float = 0.02
    motion_contrast: float = 1.6
    frame_blur_ratio: float = 0.007
    dark_level: float = 0.2
    black_ratio: float = 0.5
    bright_ratio: float = 0.25
    contrast: float = 0.12
    glare_ratio: float = 0.03
    side_glare_ratio: float = 0.08
    cut_off_ratio: float = 0.01
    held_ratio: float = 0.25
    round_size_px: float = 96.0
    side_size_px: float = 24.0
    tilt_deg: float = 40.0
    second_ratio: float = 0.3


def assess(
    image: NDArray[np.uint8],
    part: str | PartSpec,
    view: str,
    masks: Mapping[str, Mask],
    *,
    limits: FitnessLimits | None = None,
) -> tuple[Fault, ...]:
    """The faults of a photo of a known part; none means fit.

    Args:
        image: RGB, (H, W, 3) uint8, at working size.
        part: Registered key, or the part's description.
        view: One of the part's views.
        masks: Region name to bool (H, W); ``"part"`` and the view's subject are looked at.
        limits: None for the defaults.
    Raises:
        UnknownPart: no part of that key.
        ValueError: wrong picture, mask or view; the message says what came.
    """
    require_rgb(image)
    spec = part if isinstance(part, PartSpec) else part_spec(part)
    if view not in spec.views:
        raise ValueError(f"{spec.key} has no view {view!r}; it has {', '.join(spec.views)}")
    for name, mask in masks.items():
        require_mask(mask, image.shape, name)
    limits = limits or FitnessLimits()
    subject = _whole(masks.get(spec.subject[view], masks.get("part")), image)
    body = _whole(masks.get("part"), image) | subject
    size = _inscribed_px(subject)
    if size == 0:
        small = _too_small(0.0, view, limits)
        return (*assess_frame(image, limits=limits), *small)
    whole = view in ROUND_VIEWS or any(mode.region == "part" and view in mode.views for mode in spec.modes)
    return (
        *_focus_faults(image, body, size, limits),
        *_light_faults(image, body, subject, size, view, limits),
        *_frame_faults(subject, whole, limits),
        *_too_small(size, view, limits),
        *(_round_faults(body, subject, limits) if view in ROUND_VIEWS else ()),
    )


def assess_frame(image: NDArray[np.uint8], *, limits: FitnessLimits | None = None) -> tuple[Fault, ...]:
    """Faults of a whole picture, where no part was found in it: brightness, contrast and gross blur.

    Args:
        image: RGB, (H, W, 3) uint8, at working size.
        limits: None for the defaults.
    """
    require_rgb(image)
    limits = limits or FitnessLimits()
    everywhere = np.ones(image.shape[:2], bool)
    faults = list(_exposure_faults(image, everywhere, everywhere, limits))
    spread = edge_spread(_grey(image), everywhere)
    most = max(limits.blur_px, limits.frame_blur_ratio * min(image.shape[:2]))
    if spread is not None:
        faults += _blur_faults(spread, most, max(limits.motion_px, 3 * most), limits)
    return tuple(faults)


def _whole(mask: Mask | None, image: NDArray[np.uint8]) -> Mask:
    """The mask with its holes filled (a ring is as large as its disc); nothing where there is none."""
    if mask is None or not mask.any():
        return np.zeros(image.shape[:2], bool)
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(image.shape[:2], np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    return filled > 0


def _inscribed_px(mask: Mask) -> float:
    """Diameter of the largest circle inside; the picture's edge doesn't bound it."""
    if not mask.any():
        return 0.0
    near = np.ascontiguousarray(mask[bounds(mask, margin=1)])  # the ring of one pixel holds the nearest outside
    return float(2 * cv2.distanceTransform(near.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE).max())


def _grown(mask: Mask, reach_px: float) -> Mask:
    """The mask and all pixels within a distance of it."""
    grown = np.zeros(mask.shape, bool)
    window = bounds(mask, margin=int(1.1 * reach_px) + 2)  # that mask counts up to a twentieth short
    if window is not None:
        apart = np.ascontiguousarray(~mask[window]).astype(np.uint8)
        grown[window] = cv2.distanceTransform(apart, cv2.DIST_L2, cv2.DIST_MASK_5) <= reach_px
    return grown


def _grey(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    return cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32)


def _focus_faults(image: NDArray[np.uint8], body: Mask, size: float, limits: FitnessLimits) -> Iterator[Fault]:
    """By the strongest edges of part and outline: a clouded window's rim is still sharp."""
    spread = edge_spread(_grey(image), _grown(body, max(3.0, _BAND * size)))
    if spread is not None:
        yield from _blur_faults(
            spread,
            max(limits.blur_px, limits.blur_ratio * size),
            max(limits.motion_px, limits.motion_ratio * size),
            limits,
        )


def _blur_faults(spread: EdgeSpread, most: float, longest: float, limits: FitnessLimits) -> Iterator[Fault]:
    """Shake or focus, not both: shake softens one direction only."""
    one_way = spread.soft_px > limits.motion_contrast * spread.sharp_px
    if one_way and spread.motion_px > longest and spread.soft_px > most:
        yield Fault(
            FaultKind.MOTION_BLURRED, spread.motion_px, longest,
            f"The camera moved by about {spread.motion_px:.0f} pixels ({_course(spread.direction_deg)}): "
            "rest your hands on something or use more light.",
        )  # fmt: skip
    elif spread.sigma_px > most:
        yield Fault(
            FaultKind.BLURRED, spread.sigma_px, most,
            f"The part is out of focus (edges {spread.sigma_px:.1f} pixels soft, {most:.1f} allowed): "
            "tap on the part to focus, and keep the distance that the lens needs.",
        )  # fmt: skip


def _course(direction_deg: float) -> str:
    """Words for a direction in the picture."""
    names = ("sideways", "along the falling diagonal", "up and down", "along the rising diagonal")
    return names[round(direction_deg / 45) % 4]


def _light_faults(
    image: NDArray[np.uint8], body: Mask, subject: Mask, size: float, view: str, limits: FitnessLimits
) -> Iterator[Fault]:
    exposure = list(_exposure_faults(image, _grown(body, _SURROUND * size), body, limits))
    yield from exposure
    most = limits.glare_ratio if view in ROUND_VIEWS else limits.side_glare_ratio
    share = glare_share(image, subject)
    if share > most and not any(fault.kind is FaultKind.TOO_BRIGHT for fault in exposure):
        yield Fault(
            FaultKind.GLARE, share, most,
            f"A reflection covers {share:.0%} of what must be seen: turn the part or the lamp until it is gone.",
        )  # fmt: skip


def glare_share(image: NDArray[np.uint8], region: Mask) -> float:
    """Share of a region, 0 to 1, that is clipped to white in blobs; single pixels don't count."""
    white = cv2.inRange(image, (_GLARE_CODE,) * 3, (255,) * 3)
    white[~region] = 0
    blobs = cv2.morphologyEx(white, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return float(np.count_nonzero(blobs)) / max(1, int(np.count_nonzero(region)))


def _exposure_faults(image: NDArray[np.uint8], around: Mask, body: Mask, limits: FitnessLimits) -> Iterator[Fault]:
    """Dark and bright over the part; a black part on a lit bench is no fault, so the surroundings count."""
    codes = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    low, top, high = np.percentile(codes[around], (1, 95, 99)) / 255
    black = float(np.mean(codes[body] <= _BLACK_CODE))
    # Two clipped channels: an orange element is lost before its blue is.
    white = float(np.mean(np.count_nonzero(image[body] >= _GLARE_CODE, axis=1) >= 2))
    if top < limits.dark_level:
        yield Fault(
            FaultKind.TOO_DARK, float(top), limits.dark_level,
            "The picture is too dark: use more light, or tap on the part so that the camera exposes for it.",
        )  # fmt: skip
    elif black > limits.black_ratio:
        yield Fault(
            FaultKind.SHADOWS_CLIPPED, black, limits.black_ratio,
            f"{black:.0%} of the part is black without detail: "
            "tap on the part to expose for it, or light it from the side.",
        )  # fmt: skip
    if white > limits.bright_ratio:
        yield Fault(
            FaultKind.TOO_BRIGHT, white, limits.bright_ratio,
            f"{white:.0%} of the part is white without detail: use less light or turn the flash off.",
        )  # fmt: skip
    elif top >= limits.dark_level and high - low < limits.contrast:
        yield Fault(
            FaultKind.LOW_CONTRAST, float(high - low), limits.contrast,
            "Hardly any contrast: wipe the camera's lens and keep lamps from shining into it.",
        )  # fmt: skip


def _frame_faults(subject: Mask, whole: bool, limits: FitnessLimits) -> Iterator[Fault]:
    """Where the subject's outline lies on the picture's edge."""
    outlines, _ = cv2.findContours(subject.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = np.concatenate(outlines)[:, 0]
    last = (subject.shape[1] - 1, subject.shape[0] - 1)
    sides = np.stack([points[:, 0] <= 0, points[:, 0] >= last[0], points[:, 1] <= 0, points[:, 1] >= last[1]])
    share = float(sides.any(axis=0).mean())
    opposite = (sides[0].any() and sides[1].any()) or (sides[2].any() and sides[3].any())
    most = limits.cut_off_ratio if whole or opposite else limits.held_ratio
    if share > most:
        yield Fault(
            FaultKind.CUT_OFF, share, most,
            "The part runs out of the picture: step back or centre it, so that it is in with a margin.",
        )  # fmt: skip


def _too_small(size: float, view: str, limits: FitnessLimits) -> tuple[Fault, ...]:
    least = limits.round_size_px if view in ROUND_VIEWS else limits.side_size_px
    if size >= least:
        return ()
    advice = f"The part is too small in the picture ({size:.0f} pixels across, {least:.0f} needed): go closer."
    return (Fault(FaultKind.TOO_SMALL, size, least, advice),)


def _round_faults(body: Mask, subject: Mask, limits: FitnessLimits) -> Iterator[Fault]:
    """Tilt and a second part. Only for round views: a pair of electrodes belongs together."""
    tilt = tilt_deg(subject)
    if tilt > limits.tilt_deg:
        yield Fault(
            FaultKind.TOO_TILTED, tilt, limits.tilt_deg,
            f"The part is tilted by {tilt:.0f} degrees ({limits.tilt_deg:.0f} at most): hold the camera square to it.",
        )  # fmt: skip
    second = max(_second_share(body), _second_share(subject))
    if second > limits.second_ratio:
        yield Fault(
            FaultKind.MORE_THAN_ONE, second, limits.second_ratio,
            "More than one part is in the picture: photograph one at a time.",
        )  # fmt: skip


def tilt_deg(mask: Mask) -> float:
    """Tilt at which a round region looks as it does, 0 to 90 degrees, by its second moments."""
    moments = cv2.moments(_largest(mask).astype(np.uint8), binaryImage=True)
    half_sum = (moments["mu20"] + moments["mu02"]) / 2
    swing = float(np.hypot((moments["mu20"] - moments["mu02"]) / 2, moments["mu11"]))
    if half_sum <= 0:
        return 0.0
    return float(np.degrees(np.arccos(np.sqrt(max(0.0, half_sum - swing) / (half_sum + swing)))))


def _largest(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count < 2:
        return mask
    largest: Mask = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return largest


def _second_share(mask: Mask) -> float:
    """Area of the second connected piece over that of the first, 0 for one piece."""
    areas = np.sort(cv2.connectedComponentsWithStats(mask.astype(np.uint8))[2][1:, cv2.CC_STAT_AREA])
    return float(areas[-2] / areas[-1]) if areas.size > 1 else 0.0
