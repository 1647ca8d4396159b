"""Light as it spoils a picture: clipped pixels, mirrored lamps, grain. How much, not how much is too much."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import luminance
from wearvision.measure.ranks import percentile
from wearvision.measure.regions import bounds

WHITE_CODE = 250
"""A sensor clips below 255 once a JPEG has been over it."""
BLACK_CODE = 3

_HEART = 0.6  # of the region's brightest light: a lamp's soft border counts as lamp down to here
_PEAK_PCT = 97.0  # brightest light of a region: a few glints above it don't count
_BOX = 9  # side of the patches, pixels of the halved picture, among which the flattest are taken
_FLAT_PCT = 20.0  # a fifth of a part is flat, whatever is stamped or grown on the rest
_CODES = (8.0, 247.0)  # clipped patches hold no grain whatever the sensor did
_LAPLACIAN = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)

Mask = NDArray[np.bool_]


def inscribed_px(mask: Mask) -> float:
    """Diameter of the largest circle inside, pixels; 0 for an empty mask. The picture's edge doesn't bound it."""
    window = bounds(mask, margin=1)  # the ring of one pixel holds the nearest outside
    if window is None:
        return 0.0
    near = np.ascontiguousarray(mask[window]).view(np.uint8)
    return float(2 * cv2.distanceTransform(near, cv2.DIST_L2, cv2.DIST_MASK_PRECISE).max())


def grown(mask: Mask, reach_px: float) -> Mask:
    """The mask and all pixels within a distance of it; a new array."""
    wide = np.zeros(mask.shape, bool)
    window = bounds(mask, margin=int(1.1 * reach_px) + 2)  # that mask counts up to a twentieth short
    if window is not None:
        apart = np.ascontiguousarray(~mask[window]).view(np.uint8)
        wide[window] = cv2.distanceTransform(apart, cv2.DIST_L2, cv2.DIST_MASK_5) <= reach_px
    return wide


def clipped_share(image: NDArray[np.uint8], region: Mask, *, channels: int) -> float:
    """Share of a region, 0 to 1, in which at least so many of the three channels are clipped to white.

    Args:
        image: RGB, (H, W, 3) uint8.
        region: Bool (H, W); an empty one gives 0.
        channels: 1 says that some colour is lost (a red part's red), 2 that most is, 3 that all is white.
    """
    size = int(np.count_nonzero(region))
    return np.count_nonzero(clipped(image, channels) & region) / size if size else 0.0


def clipped(image: NDArray[np.uint8], channels: int) -> Mask:
    """Where at least so many of the three channels of RGB (H, W, 3) uint8 are clipped to white, bool (H, W)."""
    white = np.asarray(cv2.threshold(image, WHITE_CODE - 1, 1, cv2.THRESH_BINARY)[1], np.uint8)
    return np.asarray(cv2.transform(white, np.ones((1, 3), np.float32)), np.uint8).reshape(image.shape[:2]) >= channels


def mirrored_spot(image: NDArray[np.uint8], region: Mask, *, outshines: float) -> float:
    """Size of the largest mirrored lamp in a region: diameter of the largest circle inside it over the region's own.

    A mirrored lamp is either clipped to white, or so much brighter than everything around that no lit white could
    be: a phone then holds the lamp and lets the rest go dark. Narrow bright things (an element's traces, a white
    ring) hold no large circle and so don't count.

    Args:
        image: RGB, (H, W, 3) uint8.
        region: Bool (H, W); an empty one gives 0.
        outshines: Linear light of the region's brightest over that outside it, from which it is a lamp.
    Limits: a lamp that covers the whole region and is not clipped looks like a lit white where the rest is light, too.
    Source: own definition.
    """
    size = inscribed_px(region)
    if size == 0:
        return 0.0
    light = luminance(image)
    lamp = clipped(image, 3) & region
    outside = light[~grown(region, 3.0)]
    peak = percentile(light[region], _PEAK_PCT)
    if outside.size and peak > outshines * percentile(outside, _PEAK_PCT):
        lamp |= region & (light > _HEART * peak)
    if not lamp.any():
        return 0.0
    whole = cv2.morphologyEx(lamp.view(np.uint8), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)) > 0
    return min(1.0, inscribed_px(whole & region) / size)


def grain(half: NDArray[np.float32], *regions: Mask) -> list[float | None]:
    """Deviation of the noise, codes, in the flattest patches of each region of a halved picture.

    Halved, because grain that vanishes by halving hides nothing; there it is half as strong if it is white.

    Args:
        half: Brightness, (H, W) float32, 0 to 255, as :func:`halved` gives it.
        regions: Bool (H, W) each.
    Returns:
        Of each region the deviation, or None where it holds no whole patch that is neither black nor white.
    Source: Immerkaer 1996, "Fast Noise Variance Estimation" (its mask; the flattest patches instead of all).
    """
    size = (_BOX, _BOX)
    response = cv2.blur(np.abs(cv2.filter2D(half, cv2.CV_32F, _LAPLACIAN)), size)
    level = cv2.blur(half, size)
    lit = (level > _CODES[0]) & (level < _CODES[1])
    found: list[float | None] = []
    for region in regions:
        patch = cv2.erode(
            region.view(np.uint8), np.ones(size, np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0
        )
        usable = response[(patch > 0) & lit]
        found.append(percentile(usable, _FLAT_PCT) * float(np.sqrt(np.pi / 2)) / 6 if usable.size else None)
    return found


def halved(grey: NDArray[np.float32], region: Mask) -> tuple[NDArray[np.float32], Mask]:
    """Picture and region at half size, at least one pixel; new arrays."""
    size = (max(1, grey.shape[1] // 2), max(1, grey.shape[0] // 2))
    half = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.float32)
    return half, halved_mask(region)


def halved_mask(region: Mask) -> Mask:
    """A region at half size, at least one pixel; a new array."""
    size = (max(1, region.shape[1] // 2), max(1, region.shape[0] // 2))
    return np.asarray(cv2.resize(region.view(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0)
