"""``rim_deviation``: how far the flame cell's front rim has left its circle."""

from __future__ import annotations

import numpy as np

from wearvision.measure import outline as lines
from wearvision.measure.ellipse import Ellipse, fit_ellipse
from wearvision.measure.outline import Region
from wearvision.measure.profile import LEAST_LENGTH_PX, circle_departures, frame_of, outcome, seen_outline
from wearvision.measure.result import Outcome, Unmeasured

CUE_SHARE = 0.6
"""Least part of the window's edge that must lie on one ellipse for it to tell the tilt."""

CUE_ROUGHNESS = 0.02
"""Most rms departure of that part, over the window's radius."""


def rim_deviation(rim: Region, window: Region | Ellipse | None = None, *, limit: float = 0.03) -> Outcome:
    """Largest radial departure of the front rim from its least-squares circle over that circle's radius; 0 is new.

    Args:
        rim: (H, W) filled region inside the front rim's outer edge (no barrel), bool or probability.
        window: The visible window disc, or what ``window_cue`` made of it, which tells the tilt; without it (or where
            it is hidden or out of shape) an oval rim is not charged but widens the interval.
        limit: The smallest deviation that matters; under 3 pixels it can't be told. 0: no such rule.
    Returns:
        Measured, with the circle as trace; or unmeasured: ``not_in_view``, ``not_resolvable``.
    Raises:
        ValueError: a region that is not (H, W) bool or 0 to 1.
    Limits: notches, keys and tabs with steep walls are left out; so would be a chip with such walls.
    Source: ISO 12181-1:2011 (LSCI); ``rim_deviation`` is max(RONp, RONv) / R, see the wear standard.
    """
    points = seen_outline(rim)
    if isinstance(points, Unmeasured):
        return points
    cue = window_cue(window) if isinstance(window, np.ndarray) else window
    frame = frame_of(cue or fit_ellipse(points, robust=True), known=cue is not None)
    middle = points.mean(axis=0)
    found = circle_departures((points - middle) @ frame.matrix.T)
    return outcome(found, frame, middle, limit)


def window_cue(window: Region) -> Ellipse | None:
    """The ellipse of a round window's edge, None where it is not in view, too small or not one ellipse."""
    points = lines.outline(window)
    if len(points) < 5 or np.ptp(points, axis=0).min() < 2 * LEAST_LENGTH_PX:
        return None
    points = points[lines.inside_picture(points, window.shape)]
    if len(points) < 20:
        return None
    ellipse = fit_ellipse(points, robust=True)
    clean = ellipse.share >= CUE_SHARE and ellipse.rms <= CUE_ROUGHNESS * ellipse.major
    return ellipse if clean else None
