"""Film and clouding of a window against a photo of the same window when new.

The wear standard's layer equation, in linear light and luminance: I = (1-f)·[(1-h)·J + h·A] + f·S.
Where the clear window J is known, I is a straight line over it: slope k = (1-f)(1-h) from the texture that
still shows through, offset b = (1-f)hA + fS from the lifted blacks. With A (milky veil) and S (deposit) inside
stated ranges, slope and offset give film f and haze h; the ranges give the intervals. Local slopes
let film and veil be patchy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import (
    dark_channel_transmission,
    luminance,
    michelson_contrast,
    require_mask,
    rms_contrast,
    srgb_decode,
)
from wearvision.measure.focus import edge_spread
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.measure.window_match import MatchedWindows, match_windows

MIN_WINDOW_PX = 48
"""Window diameter under which the pattern behind it is too coarse for a slope."""

_GLARE_SHARE = 0.3
_MIN_TEXTURE = 0.02  # RMS contrast of the clear window under which a slope is not told from noise
_MIN_CORRELATION = 0.3  # a reference of another window stays below
_VEILED = 0.35  # ratio of contrasts under which too little shows through to ask for correlation
_FINE_SHARE = 0.06  # what is finer than this share of the window's radius is pattern, what is coarser may be layer
_LOCAL_SHARE = 0.2  # reach of the local slopes, of the window's radius
_PULL = 0.2  # weight of the window's common slope where the pattern is faint, of its mean variance
_COVERED = 0.2  # contrast loss from which the offset tells the veil's radiance
_GAIN_ERROR = 0.08  # light on the window against light on the ring around it, between two photos
_FLOOR = 0.02  # least half width of the intervals: what registration leaves, found on drawn pairs
_BRIGHT_FILM = 0.5  # wear standard: S over 0.5·A can't be told from a veil, …
_BRIGHT_FILM_FROM = 0.10  # … where f is at least this


@dataclass(frozen=True, slots=True)
class Layers:
    """What is assumed of the layers, as reflectances: radiance over that of a white card in the window's light.

    Attributes:
        veil: Range of A, milky plastic or glass. Common practice, no published source.
        film: Range of S. The default is soot and oil; dust is about (0.3, 0.7).
        white: Linear luminance of a white card in the reference photo; None to take that photo's brightest
            hundredth, at least 0.5 (cameras expose so that white is near the top).
    """

    veil: tuple[float, float] = (0.5, 0.9)
    film: tuple[float, float] = (0.01, 0.08)
    white: float | None = None


@dataclass(frozen=True, slots=True)
class WindowEvidence:
    """What one photo says of a window without a reference: evidence beside the network's estimate, no measure.

    Attributes:
        black_level: Linear luminance of the darkest twentieth, 0 to 1; a veil lifts it.
        michelson: Contrast between the brightest and the darkest twentieth, 0 to 1; a veil lowers it.
        rms: Standard deviation over mean of the luminance.
        edge_spread_px: Softness of the edges seen through the window, None where none stand out.
        transmission: Mean share of the scene that comes through by the dark channel, 0 to 1.
    """

    black_level: float
    michelson: float
    rms: float
    edge_spread_px: float | None
    transmission: float


def window_evidence(image: NDArray[np.uint8], window: NDArray[np.bool_]) -> WindowEvidence | None:
    """Black level, contrast and edge spread of a window; None for an empty mask.

    Args:
        image: RGB, (H, W, 3) uint8.
        window: Its visible disc, (H, W) bool.
    """
    light = luminance(image)
    require_mask(window, image.shape, "window")
    if not window.any():
        return None
    seen = light[window]
    dark, bright = (float(level) for level in np.percentile(seen, (5, 95)))
    inner = cv2.erode(window.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    spread = edge_spread(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).astype(np.float32), inner)
    airlight = max(float(np.percentile(light, 99)), 1e-3)
    through = dark_channel_transmission(srgb_decode(image), airlight)
    return WindowEvidence(
        black_level=dark,
        michelson=michelson_contrast(bright, dark),
        rms=rms_contrast(seen),
        edge_spread_px=None if spread is None else spread.sigma_px,
        transmission=float(through[window].mean()),
    )


def film_and_haze(
    image: NDArray[np.uint8],
    window: NDArray[np.bool_],
    reference: NDArray[np.uint8],
    reference_window: NDArray[np.bool_],
    *,
    layers: Layers | None = None,
) -> dict[str, Outcome]:
    """``film_loss`` and ``haze``, 0 (clear) to 1 (nothing comes through), against a photo of the window when new.

    Args:
        image: RGB, (H, W, 3) uint8.
        window: The visible window disc in it, (H, W) bool.
        reference: RGB of the same part when new; own size, turn, tilt and exposure.
        reference_window: Its window disc.
        layers: What is assumed of veil and film; None for the defaults.
    Returns:
        Both outcomes by name. Unmeasured: ``glare`` where too much is clipped; ``not_resolvable`` for a small
        window or one without a pattern; ``no_nominal`` where the reference shows another window.
    Limits: a veil that is even all over and light that changed on the window but not on the ring around it look
        alike; the gain's error is in the intervals.
    Source: own definition, see the wear standard.
    """
    require_mask(window, image.shape, "window")
    require_mask(reference_window, reference.shape, "reference_window")
    for mask, what in ((window, "window"), (reference_window, "reference window")):
        if 2 * np.sqrt(np.count_nonzero(mask) / np.pi) < MIN_WINDOW_PX:
            return _none(Reason.NOT_RESOLVABLE, f"The {what} is under {MIN_WINDOW_PX} pixels across.")
    pair = match_windows(image, window, reference, reference_window)
    if float(np.mean(pair.valid[pair.disc])) < 1 - _GLARE_SHARE:
        return _none(Reason.GLARE, "Too much of the window is clipped to white or out of the picture.")
    return _solve(pair, layers or Layers())


def _none(reason: Reason, note: str) -> dict[str, Outcome]:
    return {"film_loss": Unmeasured(reason, note), "haze": Unmeasured(reason, note)}


@dataclass(frozen=True, slots=True)
class _Line:
    """I over J: slope and offset maps over the window's valid pixels, and how well they hold."""

    slope: NDArray[np.float64]
    offset: NDArray[np.float64]
    correlation: float
    contrast_ratio: float
    texture: float


def _solve(pair: MatchedWindows, layers: Layers) -> dict[str, Outcome]:
    """Both measures with intervals from a matched pair."""
    line = _line(pair)
    if line.texture < _MIN_TEXTURE:
        return _none(Reason.NOT_RESOLVABLE, "The window when new shows too little pattern to tell haze by.")
    if pair.correlation < _MIN_CORRELATION and line.contrast_ratio > _VEILED:
        return _none(Reason.NO_NOMINAL, "The reference photo shows another window, or another side of it.")
    white = (layers.white if layers.white is not None else max(pair.reference_white, 0.5)) * pair.gain
    # A line at f = 0 has its offset (1 - k)·A: no veil can be darker than the brightest such offset.
    covered = line.slope < 1 - _COVERED
    seen = float(np.percentile(line.offset[covered] / (1 - line.slope[covered]), 90)) if covered.mean() > 0.05 else 0.0
    low, high = layers.veil[0] * white, layers.veil[1] * white
    veil = (float(np.clip(seen, low, high)), high)
    film = (layers.film[0] * white, layers.film[1] * white)
    best = _means(line, _between(veil, low), sum(film) / 2)
    spread = [
        _means(_scaled(line, gain), a, s)
        for a in (max(low, 0.95 * veil[0]), veil[1])
        for s in film
        for gain in (1 - _GAIN_ERROR, 1 + _GAIN_ERROR)
    ]
    films, hazes = np.asarray([best, *spread]).T
    ranges = {"film_loss": _range(films), "haze": _range(hazes)}
    note = ""
    if layers.film[1] * white > _BRIGHT_FILM * low and (best[0] >= _BRIGHT_FILM_FROM or best[1] >= _BRIGHT_FILM_FROM):
        both = 1 - (1 - best[0]) * (1 - best[1])
        ranges = {name: (0.0, max(high_end, both)) for name, (_, high_end) in ranges.items()}
        note = "A bright deposit and a milky window look alike: compare a photo before and after wiping."
    values = dict(zip(("film_loss", "haze"), best, strict=True))
    return {name: Measured(values[name], *ranges[name], note=note) for name in values}


def _between(veil: tuple[float, float], low: float) -> float:
    """The veil to reckon with: what was seen where that is above the least, else the middle of the range."""
    return veil[0] if veil[0] > low else (veil[0] + veil[1]) / 2


def _range(values: NDArray[np.float64]) -> tuple[float, float]:
    return max(0.0, float(values.min()) - _FLOOR), min(1.0, float(values.max()) + _FLOOR)


def _scaled(line: _Line, gain: float) -> _Line:
    """The line as it were if the light on the new window had been ``gain`` times what the ring says."""
    return replace(line, slope=line.slope / gain)


def _means(line: _Line, veil: float, film: float) -> tuple[float, float]:
    """Mean film and haze over the window for one veil and one film radiance."""
    through = (line.offset + line.slope * veil - film) / max(veil - film, 1e-3)  # 1 - f
    loss = float(np.clip(1 - through.mean(), 0.0, 1.0))
    # Below 0 film is noise or a darker veil than assumed; the slope then belongs to the veil alone.
    share = np.clip(through, 0.02, 1.0) if loss > 0 else np.ones_like(through)
    haze = float(np.clip(np.mean(1 - line.slope / share), 0.0, 1.0))
    return loss, haze


def _line(pair: MatchedWindows) -> _Line:
    """Least squares of I over J, locally, pulled to the window's common slope where the pattern is faint."""
    weight = pair.valid.astype(np.float64)
    clear, seen = pair.clear.astype(np.float64), pair.seen.astype(np.float64)

    def mean(values: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
        sigma = reach * pair.radius_px
        return _smooth(values * weight, sigma) / np.maximum(_smooth(weight, sigma), 1e-6)

    # Slow changes are the layers' own; only what is finer tells what still shows through.
    fine, fine_seen = clear - mean(clear, _FINE_SHARE), seen - mean(seen, _FINE_SHARE)
    variance = mean(fine * fine, _LOCAL_SHARE)
    covariance = mean(fine * fine_seen, _LOCAL_SHARE)
    on = pair.valid
    total, both = float(variance[on].mean()), float(covariance[on].mean())
    other = float(mean(fine_seen * fine_seen, _LOCAL_SHARE)[on].mean())
    common = both / max(total, 1e-12)
    pull = _PULL * total
    slope = np.clip((covariance + pull * common) / (variance + pull + 1e-12), 0.0, 1.2)
    return _Line(
        slope=slope[on],
        offset=(mean(seen, _LOCAL_SHARE) - slope * mean(clear, _LOCAL_SHARE))[on],
        correlation=both / max(np.sqrt(total * other), 1e-12),
        contrast_ratio=float(np.sqrt(other / max(total, 1e-12))),
        texture=float(np.sqrt(total) / max(float(clear[on].mean()), 1e-6)),
    )


def _smooth(values: NDArray[np.float64], sigma_px: float) -> NDArray[np.float64]:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE), np.float64)
