"""Is a photo fit to judge? Each fault has a name, a value, its limit and the advice that mends it.

A photo is unfit when what would be measured can't be: so faults are looked for on the part and on the region
that the part's own description calls the subject (a cell's window, a coupler's end). A bright bench, a white part
that is white in the picture, a glint or an edge just out of the picture are no faults: the wear is seen in spite of
them, and where one measure suffers, its geometry says so itself (``not_in_view``, ``not_resolvable``). Limits are
common practice, no published source; they were chosen on drawn and path-traced pictures of calibration designs,
between photos without a fault and photos with a plain one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.faults import COURSES, Fault, FaultKind, FitnessLimits
from wearvision.measure.colour import require_mask, require_rgb
from wearvision.measure.focus import EdgeSpread, edge_spread, shake_px
from wearvision.measure.light import (
    BLACK_CODE,
    clipped_share,
    grain,
    grown,
    halved,
    halved_mask,
    inscribed_px,
    mirrored_spot,
)
from wearvision.measure.ranks import code_percentile, histogram
from wearvision.measure.regions import bounds, components
from wearvision.parts import PartSpec, part_spec
from wearvision.parts.spec import Mask

__all__ = ["Fault", "FaultKind", "FitnessLimits", "assess", "assess_frame", "tilt_deg"]

ROUND_VIEWS = frozenset({"face", "end"})
"""Views that look along a part's axis: the subject is about round and there is one of it."""

GLAZED = frozenset({"window"})
"""Subjects that are looked through: a lamp mirrored there hides what is behind. Elsewhere a highlight moves with
the part's curve and covers little."""

_BAND = 0.03  # of the subject's size: the part's outline counts as part for focus
_SURROUND = 0.25  # of the subject's size: how far around the part brightness is judged


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
    size = inscribed_px(subject)
    if size == 0:
        small = _too_small(0.0, view, limits)
        return (*assess_frame(image, limits=limits), *small)
    whole = view in ROUND_VIEWS or any(mode.region == "part" and view in mode.views for mode in spec.modes)
    grey = _grey(image)
    half, near = halved(grey.astype(np.float32), grown(body, max(3.0, _BAND * size)))
    return (
        *_focus_faults(half, near, body, limits),
        *_light_faults(image, grey, half, body, subject, size, glazed=spec.subject[view] in GLAZED, limits=limits),
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
    grey = _grey(image)
    faults = list(_exposure_faults(image, grey, everywhere, everywhere, limits))
    spread = edge_spread(grey.astype(np.float32), everywhere)
    if spread is not None:
        most = max(limits.frame_blur_px, limits.frame_blur_ratio * min(image.shape[:2]))
        faults += _blur_faults(spread, most, limits)
    return tuple(faults)


def _whole(mask: Mask | None, image: NDArray[np.uint8]) -> Mask:
    """The mask with its holes filled (a ring is as large as its disc); nothing where there is none."""
    if mask is None or not mask.any():
        return np.zeros(image.shape[:2], bool)
    outlines, _ = cv2.findContours(mask.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(image.shape[:2], np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    return filled > 0


def _grey(image: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)


def _focus_faults(half: NDArray[np.float32], near: Mask, body: Mask, limits: FitnessLimits) -> Iterator[Fault]:
    """By the edges of part and outline (a clouded window's rim is still sharp), in the halved picture.

    Grain and the blocks of a JPEG are sharp at full size, however soft the picture is; what halving hides is no fault.
    """
    spread = edge_spread(half, near)
    window = bounds(body)
    if spread is not None and window is not None:
        longer = max(axis.stop - axis.start for axis in window)
        yield from _blur_faults(spread.enlarged(2.0), max(limits.blur_px, limits.blur_ratio * longer), limits)


def _blur_faults(spread: EdgeSpread, most: float, limits: FitnessLimits) -> Iterator[Fault]:
    """Shake or focus, not both: shake softens one direction only."""
    one_way = spread.soft_px > limits.shake_contrast * spread.sharp_px
    if one_way and spread.soft_px > most:
        longest = shake_px(most, most / limits.shake_contrast)
        yield Fault.of(FaultKind.MOTION_BLURRED, spread.motion_px, longest, _course(spread.direction_deg))
    elif (soft := max(spread.sigma_px, spread.sharp_px)) > most:  # thin lines pull the typical edge down
        yield Fault.of(FaultKind.BLURRED, soft, most)


def _course(direction_deg: float) -> str:
    """Words for a direction in the picture."""
    return COURSES[round(direction_deg / 45) % 4]


def _light_faults(
    image: NDArray[np.uint8],
    grey: NDArray[np.uint8],
    half: NDArray[np.float32],
    body: Mask,
    subject: Mask,
    size: float,
    *,
    glazed: bool,
    limits: FitnessLimits,
) -> Iterator[Fault]:
    around = grown(body, _SURROUND * size)
    exposure = list(_exposure_faults(image, grey, around, body, limits))
    yield from exposure
    yield from _noise_faults(half, histogram(grey, around), body, limits)
    spot = mirrored_spot(image, subject, outshines=limits.outshines) if glazed else 0.0
    if spot > limits.glare_ratio and not any(fault.kind is FaultKind.TOO_BRIGHT for fault in exposure):
        yield Fault.of(FaultKind.GLARE, spot, limits.glare_ratio)


def _noise_faults(
    half: NDArray[np.float32], around: NDArray[np.int64], body: Mask, limits: FitnessLimits
) -> Iterator[Fault]:
    """A sensor's grain lies on the part and all over the picture; a crust or a woven rag lies on one of them."""
    inside = halved_mask(body)
    noise = min((value for value in grain(half, inside, np.ones_like(inside)) if value is not None), default=0.0)
    low, high = (code_percentile(around, pct) for pct in (1, 99))
    share = noise / max(1.0, high - low)
    if share > limits.noise_ratio:
        yield Fault.of(FaultKind.TOO_NOISY, share, limits.noise_ratio)


def _exposure_faults(
    image: NDArray[np.uint8], grey: NDArray[np.uint8], around: Mask, body: Mask, limits: FitnessLimits
) -> Iterator[Fault]:
    """Dark and bright over the part; a black part on a lit bench is no fault, so the surroundings count."""
    near, own = histogram(grey, around), histogram(grey, body)
    low, top, high = (code_percentile(near, pct) / 255 for pct in (1, 95, 99))
    black = int(own[: BLACK_CODE + 1].sum()) / int(own.sum())
    white, most = _washed_out(image, around, body, limits)
    if top < limits.dark_level:
        yield Fault.of(FaultKind.TOO_DARK, top, limits.dark_level)
    elif black > limits.black_ratio:
        yield Fault.of(FaultKind.SHADOWS_CLIPPED, black, limits.black_ratio)
    if white > most:
        yield Fault.of(FaultKind.TOO_BRIGHT, white, most)
    elif top >= limits.dark_level and high - low < limits.contrast:
        yield Fault.of(FaultKind.LOW_CONTRAST, high - low, limits.contrast)


def _washed_out(image: NDArray[np.uint8], around: Mask, body: Mask, limits: FitnessLimits) -> tuple[float, float]:
    """Share of the part that is clipped, and how much may be: more where only the part is, as white ceramic is.

    Dark marks on a white part stay seen when the white clips, so that alone must be nearly all of it to hide wear.
    """
    beyond = around & ~body
    beyond = beyond if beyond.any() else body
    if clipped_share(image, beyond, channels=2) > limits.washed_ratio:
        return clipped_share(image, body, channels=1), limits.bright_ratio
    return clipped_share(image, body, channels=3), limits.blank_ratio


def _frame_faults(subject: Mask, whole: bool, limits: FitnessLimits) -> Iterator[Fault]:
    """Where the subject's outline lies on the picture's edge."""
    outlines, _ = cv2.findContours(subject.view(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = np.concatenate(outlines)[:, 0]
    last = (subject.shape[1] - 1, subject.shape[0] - 1)
    sides = np.stack([points[:, 0] <= 0, points[:, 0] >= last[0], points[:, 1] <= 0, points[:, 1] >= last[1]])
    share = float(sides.any(axis=0).mean())
    opposite = (sides[0].any() and sides[1].any()) or (sides[2].any() and sides[3].any())
    most = limits.cut_off_ratio if whole or opposite else limits.held_ratio
    if share > most:
        yield Fault.of(FaultKind.CUT_OFF, share, most)


def _too_small(size: float, view: str, limits: FitnessLimits) -> tuple[Fault, ...]:
    least = limits.round_size_px if view in ROUND_VIEWS else limits.side_size_px
    if size >= least:
        return ()
    return (Fault.of(FaultKind.TOO_SMALL, size, least),)


def _round_faults(body: Mask, subject: Mask, limits: FitnessLimits) -> Iterator[Fault]:
    """Tilt and a second part. Only for round views: a pair of electrodes belongs together."""
    pieces = [components(mask) for mask in (body, subject)]
    tilt = _tilt_deg(pieces[1][0])
    if tilt > limits.tilt_deg:
        yield Fault.of(FaultKind.TOO_TILTED, tilt, limits.tilt_deg)
    second = max(_second_share(found) for found in pieces)
    if second > limits.second_ratio:
        yield Fault.of(FaultKind.MORE_THAN_ONE, second, limits.second_ratio)


def tilt_deg(mask: Mask) -> float:
    """Tilt at which a round region looks as it does, 0 to 90 degrees, by its second moments."""
    pieces = components(mask)
    return _tilt_deg(pieces[0]) if pieces else 0.0


def _tilt_deg(piece: Mask) -> float:
    moments = cv2.moments(piece.view(np.uint8), binaryImage=True)
    half_sum = (moments["mu20"] + moments["mu02"]) / 2
    swing = float(np.hypot((moments["mu20"] - moments["mu02"]) / 2, moments["mu11"]))
    if half_sum <= 0:
        return 0.0
    return float(np.degrees(np.arccos(np.sqrt(max(0.0, half_sum - swing) / (half_sum + swing)))))


def _second_share(pieces: list[Mask]) -> float:
    """Area of the second connected piece over that of the first, 0 for one piece."""
    return np.count_nonzero(pieces[1]) / np.count_nonzero(pieces[0]) if len(pieces) > 1 else 0.0
