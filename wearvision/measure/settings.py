"""Settings in millimetres, where a scale is in the picture. They are no wear and never change a grade."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.plane_scale import FOCAL_SHARE_RANGE, ScaleFit
from wearvision.measure.regions import Points, distance_to
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

# Within this height over the card the picture's own error rules; beyond, the height must be told.
IN_PLANE_MM = 5.0
LEAST_LENGTH_PX = 8.0  # the wear standard's least gap
# Refused where the height's correction is no surer than this: the aim is 0.3 mm.
LEAST_CERTAINTY_MM = 0.5


@dataclass(frozen=True, slots=True)
class Chart:
    """The range that a burner's own chart gives for a setting, millimetres.

    Raises:
        ValueError: not 0 <= low_mm <= high_mm.
    """

    low_mm: float
    high_mm: float

    def __post_init__(self) -> None:
        if not 0 <= self.low_mm <= self.high_mm:
            raise ValueError(f"a chart's range runs upwards from 0, this is {self.low_mm} to {self.high_mm}")


def within(outcome: Outcome, chart: Chart | None) -> bool | None:
    """Whether a setting is in its chart's range; None without a chart or a value: the setting gauge decides."""
    if chart is None or not isinstance(outcome, Measured):
        return None
    return chart.low_mm <= outcome.value <= chart.high_mm


def spark_gap(
    first: NDArray[np.bool_], second: NDArray[np.bool_], scale: ScaleFit | None, *, height_mm: float | None = None
) -> Outcome:
    """Shortest distance between two rods, millimetres.

    Args:
        first: One rod, bool (H, W).
        second: The other.
        scale: The card's plane, or None where none is in the picture.
        height_mm: How far the rods lie over the card, towards the camera; None where they lie beside it, within 5 mm.
    Returns:
        The gap with its line as trace. ``not_in_view`` without two rods or a scale, ``not_resolvable`` where it is
        under 8 px or the height leaves too much doubt.
    Limits: 0.3 mm at 8 px/mm and more, in the card's plane (tests); rods that lean out of it look nearer.
    """
    if scale is None or not first.any() or not second.any():
        return Unmeasured(Reason.NOT_IN_VIEW, "Two rods and a scale card must be in the picture.")
    ends = _nearest_points(first, second)
    # Pixel centres; each outline lies half a pixel farther out.
    return _length(scale, height_mm, lambda fit: _distance(fit, ends), ends, outline_px=1.0)


def tip_height(
    tip: Points, nozzle: Points, nozzle_axis: Points, scale: ScaleFit | None, *, height_mm: float | None = None
) -> Outcome:
    """Distance of a tip from the nozzle's centre line, millimetres.

    Args:
        tip: Row, column of the tip's end.
        nozzle: Row, column of the middle of the nozzle's front end.
        nozzle_axis: Direction (row, column) in which the nozzle points, any length but 0.
        scale: As for :func:`spark_gap`, and ``height_mm`` too.
    Raises:
        ValueError: the axis has no length.
    """
    return _from_nozzle(tip, nozzle, nozzle_axis, scale, height_mm, along=False)


def reach(
    tip: Points, nozzle: Points, nozzle_axis: Points, scale: ScaleFit | None, *, height_mm: float | None = None
) -> Outcome:
    """How far a tip stands ahead of the nozzle's front end, millimetres; arguments as for :func:`tip_height`.

    A tip behind the nozzle's end gives a negative value.
    """
    return _from_nozzle(tip, nozzle, nozzle_axis, scale, height_mm, along=True)


def _from_nozzle(
    tip: Points, nozzle: Points, axis: Points, scale: ScaleFit | None, height_mm: float | None, *, along: bool
) -> Outcome:
    axis = np.asarray(axis, np.float64)
    if not np.hypot(*axis) > 0:
        raise ValueError("the nozzle's axis has no length")
    if scale is None:
        return Unmeasured(Reason.NOT_IN_VIEW, "A scale card must be in the picture.")
    points = np.stack([np.asarray(nozzle, np.float64), np.asarray(tip, np.float64)])

    def length(fit: ScaleFit) -> float:
        start, ahead, end = fit.to_mm(np.stack([points[0], points[0] + 20 * axis / np.hypot(*axis), points[1]]))
        unit = (ahead - start) / np.linalg.norm(ahead - start)
        way = end - start
        return float(way @ unit) if along else abs(float(way[0] * unit[1] - way[1] * unit[0]))

    return _length(scale, height_mm, length, points, outline_px=0.0)


def _length(
    scale: ScaleFit, height_mm: float | None, measure: Callable[[ScaleFit], float], ends: Points, *, outline_px: float
) -> Outcome:
    """A length on the plane at the told height, with what outline, fit, height and focal length leave open."""
    if outline_px and float(np.hypot(*(ends[1] - ends[0]))) - outline_px < LEAST_LENGTH_PX:
        return Unmeasured(Reason.NOT_RESOLVABLE, "The gap is under 8 pixels in the picture: come closer.")
    height = height_mm or 0.0
    try:
        value, spread = _at_height(scale, height, measure)
    except ValueError:
        return Unmeasured(Reason.NOT_RESOLVABLE, f"{height:g} mm over the card cannot be: that lies behind the camera.")
    per_mm = (scale.lifted(height) if height else scale).px_per_mm_at(ends.mean(axis=0))
    lost = outline_px / per_mm
    note = ""
    if abs(height) > IN_PLANE_MM:
        note = f"Corrected for {height:g} mm over the card" + ("." if scale.focal_known else ", with an assumed lens.")
        if spread > LEAST_CERTAINTY_MM:
            advice = f"{height:g} mm over the card leaves {spread:.1f} mm of doubt: lay the card level with it."
            return Unmeasured(Reason.NOT_RESOLVABLE, advice)
    value -= lost
    slack = spread + (0.7 + scale.reprojection_px) / per_mm
    return Measured(value, value - slack, value + slack, unit="mm", trace=ends, note=note)


def _at_height(scale: ScaleFit, height: float, measure: Callable[[ScaleFit], float]) -> tuple[float, float]:
    """The length at a height, and how far the unknown lens, and up to 5 mm of untold height, may move it."""
    value = measure(scale.lifted(height) if height else scale)
    focal = [scale.focal_px] if scale.focal_known else [share * max(scale.image_shape) for share in FOCAL_SHARE_RANGE]
    by_lens = [measure(scale.lifted(height, focal_px=f)) for f in focal] if height else []
    loose = 1.0 if height else 0.5 * IN_PLANE_MM
    by_height = [measure(scale.lifted(height + off)) for off in (-loose, loose)]
    spread = max((abs(other - value) for other in (*by_lens, *by_height)), default=0.0)
    return value, spread


def _distance(fit: ScaleFit, ends: Points) -> float:
    first, second = fit.to_mm(ends)
    return float(np.hypot(*(second - first)))


def _nearest_points(first: NDArray[np.bool_], second: NDArray[np.bool_]) -> Points:
    """Row, column of the pixels of two regions that are nearest to each other, (2, 2)."""
    at = np.argwhere(first)
    here = at[int(np.argmin(distance_to(second)[first]))]
    others = np.argwhere(second)
    there = others[int(np.argmin(((others - here) ** 2).sum(axis=1)))]
    return np.stack([here, there]).astype(np.float64)
