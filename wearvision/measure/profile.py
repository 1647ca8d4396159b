"""``profile_deviation``: how far an end's outer outline has left the shape it had when new.

The outline is first turned front-on. What frees it from tilt (an ellipse made round) also takes a
true oval away; without another cue for the tilt that part is not charged, only allowed for.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearvision.measure import outline as lines
from wearvision.measure.circle import Points, fit_circle
from wearvision.measure.ellipse import Ellipse, fit_ellipse, rectifier
from wearvision.measure.laying import EDGE_ERROR_PX, NEAR_CAMERA, Departures, Frame, tilt_axis
from wearvision.measure.nominal import against_nominal
from wearvision.measure.outline import Radii, Region
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

LEAST_LENGTH_PX = 8.0
"""The wear standard's resolution rule: a shorter length can't be measured."""

LEAST_LIMIT_PX = 3.0
"""The same rule: a limit that falls under this many pixels can't be told."""

CLOSEST_CAMERA = 6.0
"""Camera distance in radii of the part, the nearest that is believed at all."""

def frame_of(ellipse: Ellipse, *, known: bool) -> Frame:
    """The frame in which the ellipse is a circle."""
    spread = (EDGE_ERROR_PX / 2 + ellipse.rms) / ellipse.major
    return Frame(rectifier(ellipse), ellipse.tilt_deg, known, spread)


def seen_outline(region: Region) -> Points | Unmeasured:
    """The part's own outline points, or why there are too few: nothing there, cut off, too small."""
    points = lines.outline(region)
    if len(points) == 0:
        return Unmeasured(Reason.NOT_IN_VIEW, "The outline is not in the picture.")
    own = lines.inside_picture(points, region.shape)
    if own.mean() < 0.8:
        return Unmeasured(Reason.NOT_IN_VIEW, "The outline is cut off by the edge of the picture.")
    if np.ptp(points, axis=0).min() < 2 * LEAST_LENGTH_PX:
        return Unmeasured(Reason.NOT_RESOLVABLE, "The part is too small in the picture; come closer.")
    return points[own]


def profile_deviation(
    face: Region, *, frame: Frame | None = None, reference: Region | None = None, limit: float = 0.03
) -> Outcome:
    """Largest departure of the end's outline from nominal over the nominal outer radius; 0 is new.

    Nominal: the reference's outline; else a circle where the end is round between its features; else
    the own outline made n-fold symmetric where it shows that period. It is laid where most of the
    outline agrees with it, so that a dent counts with its whole depth.

    Args:
        face: (H, W) filled outline of the end, bool or probability.
        frame: Tilt from another cue; taken from the outline itself if None, and then a true oval is
            not charged but widens the interval up to what a square-on view would mean.
        reference: The same for the part when new, from its own photo.
        limit: The smallest deviation that matters; under 3 pixels it can't be told. 0: no such rule.
    Returns:
        Measured, with the nominal outline as trace; or unmeasured: ``not_in_view``, ``not_resolvable``,
        ``no_nominal``.
    Raises:
        ValueError: a region that is not (H, W) bool or 0 to 1.
    Limits: tilt to 35 degrees, camera no nearer than about ten radii; even shrinkage can't be seen.
    Source: own definition, see the wear standard.
    """
    points = seen_outline(face)
    if isinstance(points, Unmeasured):
        return points
    used, middle = frame, points.mean(axis=0)
    if used is None or not used.known:
        ellipse = fit_ellipse(points, robust=True)
        used, middle = frame_of(ellipse, known=False), np.array(ellipse.centre)
    flat = (points - middle) @ used.matrix.T
    found = against_nominal(flat, used, _reference_profile(reference))
    if isinstance(found, Unmeasured):
        return found
    departures, other = found
    return outcome(departures, used, middle, limit, other=other)


def _reference_profile(reference: Region | None) -> Radii | None:
    """The reference's rectified profile, None where there is no usable reference."""
    if reference is None:
        return None
    points = seen_outline(reference)
    if isinstance(points, Unmeasured):
        return None
    ellipse = fit_ellipse(points, robust=True)
    return lines.polar((points - np.array(ellipse.centre)) @ rectifier(ellipse).T)


def circle_departures(flat: Points) -> Departures:
    """Departures from the least-squares circle, features left out (the rim's definition)."""
    centre = flat.mean(axis=0)
    for _ in range(2):
        radii = lines.polar(flat, centre)
        kept = lines.without_features(radii)
        if kept.mean() < 0.4:
            kept = np.ones_like(kept)
        smooth = lines.smoothed(radii, kept)
        # Gaps would pull the circle of an oval rim aside; what fills them is smooth and holds its place.
        circle = fit_circle(lines.unpolar(smooth)[::4])
        centre = centre + np.array(circle.centre)
    radii = lines.polar(flat, centre)
    smooth = lines.smoothed(radii, kept)
    off = smooth - circle.radius
    return Departures(off, np.full_like(off, circle.radius), kept, circle.radius, centre, radii)


def outcome(
    found: Departures, frame: Frame, middle: NDArray[np.float64], limit: float, *, other: float = 0.0
) -> Outcome:
    """The measure with its interval, or ``not_resolvable``.

    Args:
        found: The departures.
        frame: The frame they were taken in.
        middle: Origin of the frame in the picture, row, column.
        limit: The smallest value that matters, or 0.
        other: The value under another reading of the same outline, which the interval is to hold.
    """
    found = levelled(found, frame)
    value = found.value
    error = EDGE_ERROR_PX / found.size + 2 * float(np.sin(np.radians(frame.tilt_deg))) / NEAR_CAMERA * value
    low, high = value - error, max(value, other) + error
    notes = ["The outline is a regular wave; whether by design or by wear can't be told."] if other > value else []
    if frame.known:
        low, high = low - frame.spread, high + frame.spread
    else:
        oval = second_order(frame)
        for share in (0.5, 1.0):
            square_on = float(np.abs((found.off + share * oval * found.size)[found.kept]).max() / found.size)
            low, high = min(low, square_on - error), max(high, square_on + error)
        notes.append("An oval shape can't be told from a tilted one and is not charged.")
    low = max(low, 0.0)
    plain = limit > 0 and low >= limit
    if limit * found.size < LEAST_LIMIT_PX and limit > 0 and not plain:
        return Unmeasured(Reason.NOT_RESOLVABLE, f"{limit:g} of the radius is under 3 pixels here; come closer.")
    back = np.linalg.inv(frame.matrix)
    trace = (lines.unpolar(found.nominal) + found.centre) @ back.T + middle
    return Measured(value, low, high, trace=trace, note=" ".join(notes))


def levelled(found: Departures, frame: Frame) -> Departures:
    """The departures with the near side's enlargement taken out where the outline shows it.

    A near camera shows departures on the near side larger, and a worst one among several like ones is
    then too large. Wear all round is alike on both sides of the tilt axis on average, so a small
    imbalance along the tilt is taken for perspective; a large one, more than any camera gives, is wear.
    """
    axis = tilt_axis(frame)
    turn = lines.angles(len(found.off))
    along = np.cos(turn) * axis[0] + np.sin(turn) * axis[1]
    energy = found.off**2 * found.kept
    lean = float((energy * along).sum() / max((energy * along**2).sum(), 1e-12)) / 4
    if abs(lean) > np.sin(np.radians(frame.tilt_deg)) / CLOSEST_CAMERA:
        return found
    return replace(found, off=found.off / (1 + 2 * lean * along))


def second_order(frame: Frame) -> Radii:
    """The oval, over its mean radius, that a shape round in the frame would be if the view was square-on; (N,)."""
    turn = lines.angles()
    shape = np.column_stack([np.cos(turn), np.sin(turn)]) @ np.linalg.inv(frame.matrix).T
    oval = lines.polar(shape)
    return np.asarray(oval / oval.mean() - 1)


__all__ = [
    "Departures",
    "Frame",
    "circle_departures",
    "frame_of",
    "outcome",
    "profile_deviation",
    "second_order",
    "seen_outline",
]
