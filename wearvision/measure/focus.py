"""How soft edges are, and in which direction: focus and camera shake from one picture.

A straight edge blurred by a Gaussian of deviation σ, looked at through two Gaussian derivatives of
deviations s and 2s, answers with gradients in the ratio R = √((σ² + 4s²) / (σ² + s²)); so
σ² = (4s² - R²s²) / (R² - 1). Edges are taken where the gradient peaks and is among the strongest, which
keeps noise and faint texture out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.ranks import median, percentile
from wearvision.measure.regions import bounds

_PROBE_PX = 1.0  # s; derivatives of a Gaussian of one pixel still suppress sensor noise well
_SOFT_PX = 1.25  # typical softness beyond this: the picture is halved and looked at again, where noise weighs less
_SOFT_ONE_WAY_PX = 2.0  # the same for the softest direction
_LEVELS = 3
_STRONG = 0.35  # share of the gradient of the strong edges (99th percentile) of its direction that an edge needs
_STRONG_ANY = 0.08  # and of all directions: a shake of 25 px leaves about a tenth of an edge's gradient
_ROUNDING = 1e-3  # codes a pixel: what arithmetic leaves of a blank picture
_NOISE_FACTOR = 6.0  # and so many noise deviations
_STEP_RATIO2 = 3.9  # R² of a step between two pixels is 3.8
_SHAKE_PER_SIGMA = 2.0  # an even shake of 3 to 24 px over a drawn edge reads as a Gaussian of half its length
_BINS = 12
_MIN_EDGES = 24
_MIN_BIN = 6
_MIN_DIRECTIONS = 6  # of the bins; fewer can't tell shake from the part's own form


@dataclass(frozen=True, slots=True)
class EdgeSpread:
    """Softness of the strongest edges, as the deviation of the Gaussian that would make it.

    Attributes:
        sigma_px: Typical, over all directions; the 10 to 90 % rise is 2.563 times this.
        sharp_px: Across the sharpest direction.
        soft_px: Across the softest direction.
        direction_deg: Of the softest direction, 0 is along a row, 90 down a column, 0 to 180.
        edges: Number of edge pixels looked at.
    """

    sigma_px: float
    sharp_px: float
    soft_px: float
    direction_deg: float
    edges: int

    @property
    def motion_px(self) -> float:
        """Length of the even camera shake that would explain the softest direction, 0 for none."""
        return shake_px(self.soft_px, self.sharp_px)

    def enlarged(self, factor: float) -> EdgeSpread:
        """The same in pixels of a picture that is ``factor`` times as large."""
        return replace(
            self,
            sigma_px=factor * self.sigma_px,
            sharp_px=factor * self.sharp_px,
            soft_px=factor * self.soft_px,
        )


def shake_px(soft_px: float, sharp_px: float) -> float:
    """Length of the even camera shake that softens edges so much one way and so little the other, 0 for none."""
    return _SHAKE_PER_SIGMA * float(np.sqrt(max(0.0, soft_px**2 - sharp_px**2)))


def edge_spread(grey: NDArray[np.float32], region: NDArray[np.bool_]) -> EdgeSpread | None:
    """Softness of the edges in a region, 0 px for perfectly sharp ones.

    Args:
        grey: Brightness, (H, W) float32, 0 to 255. Codes rather than linear light: what the eye calls an edge.
        region: Where to look, (H, W) bool.
    Returns:
        The spread, or None where too few edges stand out (a blank region).
    Limits: under 0.4 px and over 12 px only the order is meant. Lines thinner than 4 σ read too sharp.
    Source: two-scale gradient ratio, common practice in defocus estimation (Zhuo and Sim 2011, from memory).
    """
    if grey.shape != region.shape:
        raise ValueError(f"grey {grey.shape} and region {region.shape} differ in size")
    scale, spread = 1.0, None
    for _ in range(_LEVELS):
        found = _spread_at_scale(grey, region, scale)
        if found is None:
            break
        if spread is None or found.soft_px > spread.soft_px:
            spread = replace(found, sigma_px=max(found.sigma_px, spread.sigma_px if spread else 0.0))
        firm = found.sigma_px < _SOFT_PX * scale and found.soft_px < _SOFT_ONE_WAY_PX * scale
        if firm or min(grey.shape) < 64:
            break
        size = (grey.shape[1] // 2, grey.shape[0] // 2)
        grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.float32)
        region = cv2.resize(region.view(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        scale *= 2.0
    return spread


def _spread_at_scale(grey: NDArray[np.float32], region: NDArray[np.bool_], scale: float) -> EdgeSpread | None:
    """The spread from one level of the pyramid, in pixels of the first level."""
    window = bounds(region, margin=int(8 * _PROBE_PX))
    if window is None:
        return None
    grey, region = grey[window], region[window]
    along_x, along_y, fine = _gradient(grey, _PROBE_PX)
    coarse = _gradient(grey, 2 * _PROBE_PX)[2]
    edges = _edges(along_x, along_y, fine, region, _noise(grey))
    if edges[0].size < _MIN_EDGES:
        return None
    ratio2 = np.square(fine[edges] / np.maximum(coarse[edges], 1e-6))
    s2 = _PROBE_PX**2
    # No step answers with more; a line thinner than the coarse probe does, and says nothing of softness.
    step = ratio2 < _STEP_RATIO2
    edges, ratio2 = (edges[0][step], edges[1][step]), ratio2[step]
    if ratio2.size < _MIN_EDGES:
        return None
    variance = np.where(ratio2 > 1.0, (4 - ratio2) * s2 / np.maximum(ratio2 - 1.0, 1e-3), 400.0)
    # A pixel's own area counts as softness of 1/12 px²; halving the picture makes that scale² / 12.
    variance = np.clip(variance - 1 / 12, 0.0, 400.0)
    strong = fine[edges] > _STRONG * percentile(fine[edges], 98)
    return _summary(variance, _direction(along_x[edges], along_y[edges]), strong, scale)


def _direction(along_x: NDArray[np.float32], along_y: NDArray[np.float32]) -> NDArray[np.intp]:
    """Bin of the direction across the edge; opposite senses are one."""
    angle = np.arctan2(along_y, along_x) % np.pi
    bins: NDArray[np.intp] = np.minimum(angle * (_BINS / np.pi), _BINS - 1).astype(np.intp)
    return bins


def _noise(grey: NDArray[np.float32]) -> float:
    """Deviation of the noise, from neighbours' differences by the median: edges are few."""
    return median(np.abs(grey[:, 1:] - grey[:, :-1]).ravel()) / 0.6745 / float(np.sqrt(2))


@cache
def _kernels(sigma_px: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A Gaussian and its derivative."""
    reach = np.arange(-int(4 * sigma_px + 0.5), int(4 * sigma_px + 0.5) + 1, dtype=np.float64)
    bell = np.exp(-(reach**2) / (2 * sigma_px**2))
    bell /= bell.sum()
    return bell, reach * bell / np.sum(reach**2 * bell)  # answers 1 to a ramp of 1 a pixel


def _gradient(
    grey: NDArray[np.float32], sigma_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Gaussian derivative: along x, along y, magnitude."""
    bell, slope = _kernels(sigma_px)
    along_x = np.asarray(cv2.sepFilter2D(grey, cv2.CV_32F, slope, bell, borderType=cv2.BORDER_REPLICATE), np.float32)
    along_y = np.asarray(cv2.sepFilter2D(grey, cv2.CV_32F, bell, slope, borderType=cv2.BORDER_REPLICATE), np.float32)
    return along_x, along_y, np.asarray(cv2.magnitude(along_x, along_y), np.float32)


def _edges(
    along_x: NDArray[np.float32],
    along_y: NDArray[np.float32],
    size: NDArray[np.float32],
    region: NDArray[np.bool_],
    noise: float,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns where the gradient peaks across the edge and is strong for its direction."""
    noise_gradient = noise / (np.sqrt(8 * np.pi) * _PROBE_PX**2)
    floor = max(_STRONG_ANY * percentile(size[region], 99), _NOISE_FACTOR * noise_gradient, _ROUNDING)
    rows, cols = np.nonzero(region & (size > floor))
    inner = (rows > 0) & (cols > 0) & (rows < size.shape[0] - 1) & (cols < size.shape[1] - 1)
    rows, cols = rows[inner], cols[inner]
    here = size[rows, cols]
    step_x = np.rint(along_x[rows, cols] / here).astype(np.intp)
    step_y = np.rint(along_y[rows, cols] / here).astype(np.intp)
    peak = (here >= size[rows + step_y, cols + step_x]) & (here >= size[rows - step_y, cols - step_x])
    rows, cols, here = rows[peak], cols[peak], here[peak]
    bins = _direction(along_x[rows, cols], along_y[rows, cols])
    need = np.zeros(_BINS)
    for b in np.unique(bins):
        need[b] = _STRONG * percentile(here[bins == b], 95)
    strong = here > need[bins]
    return rows[strong], cols[strong]


def _summary(
    variance: NDArray[np.float64], bins: NDArray[np.intp], strong: NDArray[np.bool_], scale: float
) -> EdgeSpread:
    """Typical, sharpest and softest: σ² over direction is a constant plus one second harmonic for even shake."""
    kept = np.flatnonzero(np.bincount(bins, minlength=_BINS) >= _MIN_BIN)
    typical = median(variance[strong])
    mean, cosine, sine = typical, 0.0, 0.0
    if len(kept) >= _MIN_DIRECTIONS:
        centres = (kept + 0.5) * np.pi / _BINS
        medians = np.asarray([median(variance[bins == b]) for b in kept])
        design = np.column_stack([np.ones(len(kept)), np.cos(2 * centres), np.sin(2 * centres)])
        mean, cosine, sine = np.linalg.lstsq(design, medians, rcond=None)[0]
    swing = min(float(np.hypot(cosine, sine)), max(0.0, mean))
    return EdgeSpread(
        sigma_px=scale * float(np.sqrt(typical)),
        sharp_px=scale * float(np.sqrt(max(0.0, mean - swing))),
        soft_px=scale * float(np.sqrt(max(0.0, mean + swing))),
        direction_deg=float(np.degrees(np.arctan2(sine, cosine)) / 2 % 180),
        edges=int(variance.size),
    )
