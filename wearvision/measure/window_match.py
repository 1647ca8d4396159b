"""Two photos of one round window, laid over each other.

Form by second moments, turn by polar correlation, the rest by ECC (enhanced correlation coefficient).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import luminance

_SIDE_PX = 208
_REACH = 1.3  # radii shown of the window and the ring around it
_RING = (1.06, 1.27)  # of the radius: the housing's front, whose light is that of the window
_INNER = 0.95  # the window's very edge mixes with the housing
_CLIPPED = 0.955  # linear light of code 250
_SOFTEN_PX = 1.6  # evens out what focus the two photos differ in
_EVEN_SHARE = 0.15  # of the radius: reach over which the pattern's contrast is evened out for the match
_TURNS = 720
_RINGS = 48
_TRIES = 3


@dataclass(frozen=True, slots=True)
class MatchedWindows:
    """A window and its reference on one grid, in linear luminance, (S, S).

    Attributes:
        seen: I, the window as it is.
        clear: J, the reference in the light of this photo.
        disc: The window.
        valid: Where both are in the picture and not clipped; inside ``disc``.
        radius_px: The window's radius on the grid.
        gain: Light of this photo over that of the reference, by the ring around the window (1 where none is seen).
        correlation: Of the two patterns once matched, -1 to 1.
        reference_white: Luminance of the reference photo's brightest hundredth.
    """

    seen: NDArray[np.float32]
    clear: NDArray[np.float32]
    disc: NDArray[np.bool_]
    valid: NDArray[np.bool_]
    radius_px: float
    gain: float
    correlation: float
    reference_white: float


def match_windows(
    image: NDArray[np.uint8],
    window: NDArray[np.bool_],
    reference: NDArray[np.uint8],
    reference_window: NDArray[np.bool_],
) -> MatchedWindows:
    """Lay the reference over the photo.

    Args:
        image: RGB, (H, W, 3) uint8.
        window: Its window disc, (H, W) bool, not empty.
        reference: RGB of the same window, any size, turn, tilt (to 40 degrees) and exposure.
        reference_window: Its window disc, not empty.
    """
    radius = _SIDE_PX / 2 / _REACH
    reference_light = luminance(reference)
    seen = _unrolled(luminance(image), window)
    raw = _unrolled(reference_light, reference_window)
    away = _away()
    disc = away <= _INNER
    warp, correlation = _align(seen, raw, disc, away)
    size = (_SIDE_PX, _SIDE_PX)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    clear = np.asarray(cv2.warpAffine(raw, warp, size, flags=flags, borderValue=float("nan")), np.float32)
    # NaN, outside a picture, is not below anything.
    there = (seen < _CLIPPED) & (clear < _CLIPPED)
    ring = there & (away >= _RING[0]) & (away <= _RING[1]) & (np.nan_to_num(clear) > 0.004)
    # A lamp from the side lights one half of the ring more; which half depends on the turn, the medians do not.
    gain = float(np.median(seen[ring]) / np.median(clear[ring])) if np.count_nonzero(ring) > 200 else 1.0
    # What is clipped also blooms into its neighbours.
    valid = disc & (cv2.erode(there.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)
    return MatchedWindows(
        seen=_soft(seen),
        clear=_soft(clear) * np.float32(gain),
        disc=disc,
        valid=valid,
        radius_px=radius,
        gain=gain,
        correlation=correlation,
        reference_white=float(np.percentile(reference_light, 99)),
    )


def _away() -> NDArray[np.float64]:
    """Distance from the window's centre on the grid, in radii."""
    at = (np.arange(_SIDE_PX) - (_SIDE_PX - 1) / 2) / (_SIDE_PX / 2 / _REACH)
    return np.asarray(np.hypot(at[:, None], at[None, :]), np.float64)


def _unrolled(light: NDArray[np.float32], window: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The window's ellipse stretched to a disc on the grid; NaN outside the picture."""
    moments = cv2.moments(window.astype(np.uint8), binaryImage=True)
    area = moments["m00"]
    centre = np.asarray([moments["m10"], moments["m01"]]) / area
    spread = np.asarray([[moments["mu20"], moments["mu11"]], [moments["mu11"], moments["mu02"]]]) / area
    values, vectors = np.linalg.eigh(spread)
    # A disc of radius 1 has second moments of a quarter.
    stretch = 2 * vectors @ np.diag(np.sqrt(np.maximum(values, 1e-6))) @ vectors.T
    radius = _SIDE_PX / 2 / _REACH
    shrink = min(1.0, radius / (2 * np.sqrt(values.min())))
    if shrink < 0.75:
        size = (max(1, round(light.shape[1] * shrink)), max(1, round(light.shape[0] * shrink)))
        ratio = np.asarray([size[0] / light.shape[1], size[1] / light.shape[0]])
        light = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)
        centre, stretch = (centre + 0.5) * ratio - 0.5, ratio[:, None] * stretch
    step = stretch / radius
    corner = centre - step @ np.full(2, (_SIDE_PX - 1) / 2)
    grid = cv2.warpAffine(
        light,
        np.column_stack([step, corner]),
        (_SIDE_PX, _SIDE_PX),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderValue=float("nan"),
    )
    return np.asarray(grid, np.float32)


def _align(
    seen: NDArray[np.float32], raw: NDArray[np.float32], disc: NDArray[np.bool_], away: NDArray[np.float64]
) -> tuple[NDArray[np.float32], float]:
    """Affine map from the photo's grid to the reference's, and the correlation it reaches."""
    target, source = _flattened(seen, disc), _flattened(raw, disc)
    best = (_turn(0.0), -1.0)
    for angle in _turns(target, source):
        warp, correlation = _refine(target, source, _turn(angle), disc)
        if correlation > best[1]:
            best = (warp, correlation)
    return best


def _flattened(light: NDArray[np.float32], disc: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The pattern at even contrast, whatever lies over it: about 1 in size, 0 outside the window."""
    filled = np.where(np.isfinite(light), light, np.nanmedian(light)).astype(np.float32)
    inside = disc.astype(np.float32)
    sigma = _EVEN_SHARE * _SIDE_PX / 2 / _REACH
    share = np.maximum(cv2.GaussianBlur(inside, (0, 0), sigma), 1e-3)
    fine = cv2.GaussianBlur(filled, (0, 0), _SOFTEN_PX) - cv2.GaussianBlur(filled * inside, (0, 0), sigma) / share
    fine *= inside
    local = np.sqrt(cv2.GaussianBlur(fine * fine, (0, 0), sigma) / share)
    flat = inside * fine / np.maximum(local, 0.25 * float(local[disc].mean()) + 1e-6)
    # Glints and specks shall not lead the match.
    return np.clip(flat, -3, 3).astype(np.float32)


def _turns(target: NDArray[np.float32], source: NDArray[np.float32]) -> list[float]:
    """The likeliest turns in radians, best first, by circular correlation of the polar pictures."""
    centre = ((_SIDE_PX - 1) / 2,) * 2
    radius = _INNER * _SIDE_PX / 2 / _REACH
    rings = [cv2.warpPolar(flat, (_RINGS, _TURNS), centre, radius, cv2.INTER_LINEAR) for flat in (target, source)]
    weight = np.arange(_RINGS) / _RINGS  # a ring's length
    spectra = [np.fft.rfft(ring.astype(np.float64), axis=0) for ring in rings]
    score = np.fft.irfft(np.sum(np.conj(spectra[0]) * spectra[1] * weight, axis=1), n=_TURNS)
    found = []
    for _ in range(_TRIES):
        peak = int(np.argmax(score))
        found.append(2 * np.pi * peak / _TURNS)
        score[np.arange(peak - 10, peak + 11) % _TURNS] = -np.inf
    return found


def _turn(angle: float) -> NDArray[np.float32]:
    """Turn about the grid's centre."""
    middle = (_SIDE_PX - 1) / 2
    cos, sin = np.cos(angle), np.sin(angle)
    spin = np.asarray([[cos, -sin], [sin, cos]])
    return np.column_stack([spin, middle - spin @ np.full(2, middle)]).astype(np.float32)


def _refine(
    target: NDArray[np.float32], source: NDArray[np.float32], warp: NDArray[np.float32], disc: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], float]:
    """ECC from a first turn; the first turn itself where that leads away or nowhere."""
    start = (warp, _correlation(target, source, warp, disc))
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-4)
    try:
        _, aligned = cv2.findTransformECC(
            target, source, warp.copy(), cv2.MOTION_AFFINE, criteria, disc.astype(np.uint8)
        )
    except cv2.error:  # does not converge: nothing in common
        return start
    better = np.asarray(aligned, np.float32)
    moved = float(np.abs(better - warp)[:, :2].max())
    found = (better, _correlation(target, source, better, disc))
    return found if moved < 0.25 and found[1] > start[1] else start


def _correlation(
    target: NDArray[np.float32], source: NDArray[np.float32], warp: NDArray[np.float32], disc: NDArray[np.bool_]
) -> float:
    over = cv2.warpAffine(source, warp, target.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    one, other = target[disc].astype(np.float64), over[disc].astype(np.float64)
    size = np.sqrt(np.sum((one - one.mean()) ** 2) * np.sum((other - other.mean()) ** 2))
    return float(np.sum((one - one.mean()) * (other - other.mean())) / max(size, 1e-12))


def _soft(light: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(np.nan_to_num(light), (0, 0), _SOFTEN_PX), np.float32)
