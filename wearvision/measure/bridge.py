"""Whether deposit bridges a spark gap, or narrows it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.regions import Region, as_bool, bounds, components, distance_to
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

# The wear standard: narrowing the gap by a quarter counts as a bridge.
NARROWED = 0.25
# A marked bridge counts from this share of a rod's end face (diameter squared); less is a speck.
LEAST_SHARE = 0.06
LEAST_GAP_PX = 8.0


def bridge(
    rods: list[NDArray[np.bool_]], ceramic: Region, deposit: Region, marked: Region, *, diameter_px: float
) -> Outcome:
    """1 where deposit touches the other rod or other metal or narrows the gap by a quarter, else 0.

    Args:
        rods: Each rod's own region, bool (H, W); one or two.
        ceramic: The insulator.
        deposit: All carbon seen, (H, W) bool or probabilities. What lies on a rod or on the ceramic, inside their
            outlines, narrows nothing.
        marked: What was recognised as a bridge as such; the only evidence with a single rod.
        diameter_px: Rod diameter, > 0.
    Returns:
        0 or 1. The interval is [0, 1] where the two kinds of evidence contradict each other, the narrowing lies near a
        quarter, or the gap is under 8 px. ``not_in_view`` without a rod.
    Raises:
        ValueError: ``diameter_px`` is not positive.
    Source: own definition, see the wear standard.
    """
    if not rods:
        return Unmeasured(Reason.NOT_IN_VIEW, "No rod is seen.")
    if not diameter_px > 0:
        raise ValueError(f"a rod diameter is positive, this is {diameter_px}")
    least = max(6, int(LEAST_SHARE * diameter_px**2))
    told = bool(components(marked, least_px=least))
    if len(rods) < 2:
        return Measured(float(told), float(told), float(told))
    narrowed, gap = narrowing(rods[0], rods[1], (as_bool(deposit) | as_bool(marked)) & ~as_bool(ceramic))
    measured = narrowed >= NARROWED
    # A pixel of outline on each side moves the narrowing by this much.
    doubt = min(0.5, 2.0 / max(gap, 1.0))
    value = float(told or measured)
    sure = told == measured and abs(narrowed - NARROWED) > doubt and (gap >= LEAST_GAP_PX or narrowed >= 0.5)
    if sure or (not told and narrowed == 0.0):
        return Measured(value, value, value, note=_sentence(narrowed) if value else "")
    return Measured(value, 0.0, 1.0, note=_sentence(narrowed))


def _sentence(narrowed: float) -> str:
    return f"Deposit takes {100 * narrowed:.0f} % of the gap between the rods."


def narrowing(first: NDArray[np.bool_], second: NDArray[np.bool_], deposit: NDArray[np.bool_]) -> tuple[float, float]:
    """Share of the gap between two rods that deposit takes up, 0 to 1, and the clean gap in pixels.

    Args:
        first: One rod, bool (H, W), not empty.
        second: The other.
        deposit: Carbon, bool (H, W); counts where it hangs on a rod, outside both.
    """
    gap = shortest(first, second)
    outside = deposit & ~first & ~second
    if gap <= 1.0 or not outside.any():
        return 0.0, max(gap - 1.0, 0.0)
    grown_first, grown_second = _with_growth(first, outside), _with_growth(second, outside)
    if (grown_first & grown_second).any():
        return 1.0, gap - 1.0
    left = shortest(grown_first, grown_second)
    # Between pixel centres; the outlines are a pixel nearer to each other.
    return float(np.clip((gap - left) / (gap - 1.0), 0.0, 1.0)), gap - 1.0


def shortest(first: NDArray[np.bool_], second: NDArray[np.bool_]) -> float:
    """Shortest distance between pixel centres of two regions, neither empty."""
    window = bounds(first | second)
    return float(distance_to(second[window])[first[window]].min())


def _with_growth(rod: NDArray[np.bool_], outside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The rod and the deposit that touches it."""
    near = cv2.dilate(rod.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if not (near & outside).any():
        return rod
    count, labels = cv2.connectedComponents(outside.view(np.uint8), connectivity=8)
    touching = np.zeros(count, bool)
    touching[np.unique(labels[near & outside])] = True
    touching[0] = False
    return np.asarray(rod | touching[labels], bool)
