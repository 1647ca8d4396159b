"""The comparison series beside which film and haze are told: one window, rendered at ten steps of a layer."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import LUMINANCE_WEIGHTS, require_mask, require_rgb, srgb_decode, srgb_encode
from wearvision.measure.regions import bounds
from wearvision.parts import PARTS

STEPS = tuple(round(0.1 * step, 1) for step in range(10))
"""0.0 to 0.9: behind a layer of 1 nothing is seen."""

VEIL, DEPOSIT = 0.7, 0.03
"""Radiance of a milky veil and of soot over that of a white card, the middle of the ranges that measuring assumes
(common practice, no published source)."""

SIDE = 256
"""Side of a rendered picture in pixels."""

_BACKDROP = 128
_GROUND, _TRACK = (0.45, 0.43, 0.38), (0.30, 0.10, 0.06)  # a cell's ceramic and its light-sensitive track (own choice)
_WHITE_PCT = 99.0
_LEAST_WHITE = 0.5  # a camera exposes so that white is near the top

Picture = NDArray[np.uint8]
Light = NDArray[np.float64]


def comparison_series(
    image: Picture,
    window: NDArray[np.bool_],
    measure: str,
    *,
    clear: tuple[Picture, NDArray[np.bool_]] | None = None,
    beside: float = 0.0,
    side: int = SIDE,
) -> tuple[Picture, ...]:
    """The same window behind 0.0 to 0.9 of a layer, in the light of a photo.

    Args:
        image: The photo beside which the series is shown, RGB (H, W, 3) uint8, upright; gives the light.
        window: Its window, bool (H, W).
        measure: ``film_loss`` or ``haze``: the layer that the series grows.
        clear: Photo and window of the same part when new. Without it a plain window is drawn in its place.
        beside: How much of the other layer lies on all of them, 0 to 1.
        side: Side of the pictures, pixels.

    Returns:
        Ten RGB pictures (side, side, 3) uint8, one for each of ``STEPS``, the window filling them.

    Raises:
        ValueError: a picture or mask of another kind, an empty window, or a measure without such a series.

    Source: the wear standard's layer equation, I = (1-f)·[(1-h)·J + h·A] + f·S, in linear light.
    """
    require_rgb(image)
    require_mask(window, image.shape, "window")
    film = _is_film(measure)
    if not 0 <= beside <= 1:
        raise ValueError(f"the other layer lies from 0 to 1, is {beside}")
    if not window.any():
        raise ValueError("the window is empty")
    white = _white(image)
    new = _cut_out(*clear, side) if clear is not None else _plain_window(side) * white
    disc = _disc(side)
    pictures = []
    for step in STEPS:
        f, h = (step, beside) if film else (beside, step)
        light = (1 - f) * ((1 - h) * new + h * VEIL * white) + f * DEPOSIT * white
        codes = np.round(srgb_encode(light) * 255).astype(np.uint8)
        pictures.append(np.where(disc[..., None], codes, np.uint8(_BACKDROP)))
    return tuple(pictures)


def _is_film(measure: str) -> bool:
    """Whether a matched measure is of the layer that wipes off."""
    for spec in PARTS.values():
        if measure in spec.matched:
            return not spec.mode_of(measure).permanent
    raise ValueError(f"there is no comparison series of {measure!r}")


def _white(image: Picture) -> Light:
    """Linear light of a white card in a photo, (3,): its brightest hundredth, with the photo's own cast."""
    bright = np.percentile(srgb_decode(image).reshape(-1, 3), _WHITE_PCT, axis=0).astype(np.float64)
    level = float(bright @ np.asarray(LUMINANCE_WEIGHTS))
    if level <= 0:
        return np.full(3, _LEAST_WHITE)
    return np.asarray(np.minimum(bright * max(1.0, _LEAST_WHITE / level), 1.0), np.float64)


def _cut_out(image: Picture, window: NDArray[np.bool_], side: int) -> Light:
    """The square about a window in linear light."""
    require_rgb(image)
    require_mask(window, image.shape, "window")
    place = bounds(window)
    if place is None:
        raise ValueError("the window of the clear photo is empty")
    piece = cv2.resize(np.ascontiguousarray(image[place]), (side, side), interpolation=cv2.INTER_AREA)
    return np.asarray(srgb_decode(np.asarray(piece, np.uint8)), np.float64)


def _plain_window(side: int) -> Light:
    """A clear window before a plain element, as shares of white: a track that winds over a light ground."""
    fine = 4 * side
    raster = np.zeros((fine, fine), np.uint8)
    reach, rows, width = 0.62 * fine / 2, 7, max(1, round(0.045 * fine))
    heights = np.linspace(fine / 2 - reach, fine / 2 + reach, rows)
    course = []
    for number, row in enumerate(heights):
        ends = (fine / 2 - reach, fine / 2 + reach)
        course += [(column, row) for column in (ends if number % 2 == 0 else ends[::-1])]
    cv2.polylines(raster, [np.round(course).astype(np.int32)], False, 255, width)
    share = cv2.resize(raster, (side, side), interpolation=cv2.INTER_AREA)[..., None].astype(np.float64) / 255
    return np.asarray((1 - share) * np.asarray(_GROUND) + share * np.asarray(_TRACK), np.float64)


def _disc(side: int) -> NDArray[np.bool_]:
    at = np.arange(side) + 0.5 - side / 2
    return np.asarray(np.hypot(at[:, None], at[None, :]) <= side / 2)


__all__ = ["STEPS", "comparison_series"]
