"""How much of an area a deposit covers."""

from __future__ import annotations

import numpy as np

from wearvision.measure.regions import Region, as_bool, as_weight
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

# An area under 8 px across cannot carry a ratio (the wear standard's least width).
LEAST_AREA_PX = 0.25 * np.pi * 8.0**2
# A marked region's outline is right to about a third of a pixel, all one way at worst.
OUTLINE_SLACK_PX = 0.35


def cover_ratio(deposit: Region, area: Region) -> Outcome:
    """Share of an area that a deposit covers, 0 to 1; larger is worse.

    Args:
        deposit: Deposit, (H, W) bool, or weights 0 to 1 that count in part. What lies outside the area does
            not count.
        area: The area that it is a share of, (H, W) bool or weights.
    Returns:
        The ratio. Its interval comes from the deposit's outline (a third of a pixel all round) and, for
        weights, from how far they are from 0 or 1. ``not_in_view`` where the area is empty,
        ``not_resolvable`` where it is smaller than a disc 8 px wide.
    Raises:
        ValueError: the shapes differ, or a region is not (H, W) bool or floating.
    Source: own definition, see the wear standard.
    Example:
        >>> area = np.ones((20, 20), bool); deposit = area.copy(); deposit[:, 5:] = False
        >>> cover_ratio(deposit, area).value
        0.25
    """
    covered, whole = _checked(deposit), _checked(area)
    if covered.shape != whole.shape:
        raise ValueError(f"deposit {covered.shape} and area {whole.shape} are of different shapes")
    size = _sum(whole)
    if size == 0:
        return Unmeasured(Reason.NOT_IN_VIEW, "The area to be judged is not in view.")
    if size < LEAST_AREA_PX:
        return Unmeasured(Reason.NOT_RESOLVABLE, "The area to be judged is under 8 pixels across: come closer.")
    both: Region = covered * whole  # of two bool regions: where both are
    value = min(1.0, _sum(both) / size)
    low, high = _bounds(covered, whole, value)
    return Measured(value, low, high)


def _checked(region: Region) -> Region:
    return region if region.ndim == 2 and region.dtype == np.bool_ else as_weight(region)


def _sum(region: Region) -> float:
    return float(np.count_nonzero(region) if region.dtype == np.bool_ else region.sum())


def _bounds(covered: Region, whole: Region, value: float) -> tuple[float, float]:
    """What the ratio may be if the outline lies a little farther in or out, or doubtful weights fall either way."""
    size = _sum(whole)
    marked, inside = as_bool(covered), as_bool(whole)
    # Only outline inside the area moves the ratio; where deposit and area end together nothing changes.
    turns = np.count_nonzero((marked[1:] ^ marked[:-1]) & inside[1:] & inside[:-1])
    turns += np.count_nonzero((marked[:, 1:] ^ marked[:, :-1]) & inside[:, 1:] & inside[:, :-1])
    # A digital outline crosses 4/pi times as many pixel sides as it is long, on average over directions.
    slack = OUTLINE_SLACK_PX * turns * np.pi / 4 / size
    if covered.dtype == np.bool_:
        return max(0.0, value - slack), min(1.0, value + slack)
    sure = float((whole * (covered >= 0.75)).sum()) / size
    possible = float((whole * (covered >= 0.25)).sum()) / size
    return max(0.0, min(value - slack, sure)), min(1.0, max(value + slack, possible))
