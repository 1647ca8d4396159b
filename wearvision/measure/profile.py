"""``profile_deviation``: how far an end's outer outline has left the shape it had when new.

The outline is first turned front-on. What frees it from tilt (an ellipse made round) also takes a
true oval away; without another cue for the tilt that part is not charged, only allowed for.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearvision.measure import outline as lines
from wearvision.measure.circle import Points, fit_circle
from wearvision.measure.ellipse import Ellipse, fit_ellipse, rectifier
from wearvision.measure.outline import Radii, Region
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured

LEAST_LENGTH_PX = 8.0
"""The wear standard's resolution rule: a shorter length can't be measured."""

LEAST_LIMIT_PX = 3.0
"""The same rule: a limit that falls under this many pixels can't be told."""

EDGE_ERROR_PX = 0.35
"""Two-sigma error of a smoothed mask's outline; pure staircases show 0.2 to 0.3 (tests/measure/test_rim.py)."""

NEAR_CAMERA = 12.0
"""Camera distance in radii of the part, near but usual, at which the interval allows for perspective."""

CLOSEST_CAMERA = 6.0
"""The same as the nearest that is believed at all."""

PLAIN_ROUND = 0.12
"""Root mean square departure over radius beyond which an outline without a period is not a round one worn."""


@dataclass(frozen=True, slots=True)
class Frame:
    """How to turn offsets in the picture into offsets seen square-on.

    Attributes:
        matrix: (2, 2), for row, column offsets; lengths along the tilt axis are kept.
        tilt_deg: The tilt that it takes out.
        known: True if it comes from something else than the outline judged.
        spread: Error of second-order amplitude over radius that the cue leaves (two sigma).
    """

    matrix: NDArray[np.float64]
    tilt_deg: float
    known: bool
    spread: float = 0.0


def frame_of(ellipse: Ellipse, *, known: bool) -> Frame:
    """The frame in which the ellipse is a circle."""
    spread = (EDGE_ERROR_PX / 2 + ellipse.rms) / ellipse.major
    return Frame(rectifier(ellipse), ellipse.tilt_deg, known, spread)


@dataclass(frozen=True, slots=True)
class Departures:
    """A profile against its nominal, in pixels of the rectified picture.

    Attributes:
        off: Signed departure at each angle, (N,).
        nominal: Nominal radius at each angle, (N,).
        kept: Which angles count, (N,) bool.
        size: Nominal outer radius.
        centre: Of the nominal, rectified offset from the frame's origin.
    """

    off: Radii
    nominal: Radii
    kept: NDArray[np.bool_]
    size: float
    centre: NDArray[np.float64]

    @property
    def value(self) -> float:
        """Largest departure over the nominal outer radius."""
        return float(np.abs(self.off[self.kept]).max() / self.size)


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
    found = _against_nominal(flat, used, _reference_profile(reference))
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


def _against_nominal(flat: Points, frame: Frame, reference: Radii | None) -> tuple[Departures, float] | Unmeasured:
    """Departures from the nominal that the standard's order gives, and the value of the other reading (0: none)."""
    if reference is not None:
        return _laid(flat, lambda radii: _turned(reference, radii), frame), 0.0
    radii = lines.polar(flat)
    kept = lines.without_features(radii)
    period = lines.period_of(radii)
    order = period.order if period is not None else 0
    if order and not kept.all() and lines.runs_of(~kept) == order and kept.mean() >= 0.4:
        between = lines.period_of(lines.bridged(radii, kept))
        order = between.order if between is not None else 0
    if order and period is not None:
        found = _laid(flat, lambda radii: lines.symmetric(radii, order), frame)
        return found, _laid(flat, _round, frame).value if period.pure else 0.0
    if kept.mean() < 0.4:
        return Unmeasured(Reason.NO_NOMINAL, "Notches and ribs leave too little of the outline.")
    found = _laid(flat, _round, frame)
    if float(np.sqrt(np.mean(found.off[found.kept] ** 2))) > PLAIN_ROUND * found.size:
        return Unmeasured(Reason.NO_NOMINAL, "The outline is neither round nor regular; its shape when new is unknown.")
    return found, 0.0


def _round(radii: Radii) -> Radii:
    """The circle between a profile's features."""
    return np.full_like(radii, np.median(radii[lines.without_features(radii)]))


def _turned(reference: Radii, radii: Radii) -> Radii:
    """The reference scaled to the profile and turned to where they agree best."""
    scaled = reference * (np.median(radii) / np.median(reference))
    match = np.fft.irfft(np.fft.rfft(radii - radii.mean()) * np.conj(np.fft.rfft(scaled - scaled.mean())), len(radii))
    return np.roll(scaled, int(match.argmax()))


def _laid(flat: Points, nominal_of: Callable[[Radii], Radii], frame: Frame, rounds: int = 10) -> Departures:
    """The outline laid on its nominal where most of it agrees: centre, size, perspective, and tilt where unknown."""
    at, centre = flat, np.zeros(2)
    for _ in range(rounds):
        radii = lines.polar(at)
        nominal = nominal_of(radii)
        kept = lines.without_features(radii) | (np.ptp(nominal) > 0.02 * nominal.mean())
        move = _misfit(radii, nominal, kept, free_tilt=not frame.known)
        at = _moved(at, move)
        centre = centre + move[:2]
        if np.abs(move[:2]).max() < 0.02 and np.abs(move[2:4]).max() < 1e-3:
            break
    radii = lines.polar(at)
    nominal = nominal_of(radii)
    shaped = np.ptp(nominal) > 0.02 * nominal.mean()
    # Beside a steep wall of the design a small turn looks like a large departure.
    kept = np.abs(_lean(nominal)) < 0.8 if shaped else lines.without_features(radii)
    off = lines.smoothed(radii - nominal, kept)
    return Departures(off, nominal, kept, float(nominal.max()), centre)


def _misfit(radii: Radii, nominal: Radii, kept: NDArray[np.bool_], *, free_tilt: bool) -> NDArray[np.float64]:
    """Shift (2), stretch (2), perspective (2), each as the outline shows it against the nominal; robust, linear.

    A displacement with radial part u and tangential part w changes a profile by u - w·ρ'/ρ.
    """
    turn = lines.angles(len(radii))
    cos, sin = np.cos(turn), np.sin(turn)
    size = float(nominal.mean())
    lean = np.clip(_lean(nominal), -1.0, 1.0)
    rho = nominal / size
    columns = [cos + lean * sin, sin - lean * cos, rho]
    if free_tilt:
        cos2, sin2 = np.cos(2 * turn), np.sin(2 * turn)
        columns += [rho * (cos2 + lean * sin2), rho * (sin2 - lean * cos2)]
    shaped = float(np.ptp(rho)) > 0.02
    if shaped:
        columns += [rho * rho * cos, rho * rho * sin, rho * lean]
    rows, goal = np.column_stack(columns)[::3], ((radii - nominal) / size)[::3]
    kept = kept[::3]
    weights = kept.astype(np.float64)
    ridge = np.full(rows.shape[1], 1e-6 * len(goal))
    if shaped:
        # On lobes a shift and a perspective look much alike; a camera gives little of the latter.
        ridge[-3:-1] = 0.02 * len(goal)
    solution = np.zeros(rows.shape[1])
    for turn_number in range(14):
        normal = (rows * weights[:, None]).T @ rows + np.diag(ridge)
        solution = np.linalg.solve(normal, (rows * weights[:, None]).T @ goal)
        off = goal - rows @ solution
        spread = max(1.4826 * float(np.median(np.abs(off[kept]))), 0.1 / size)
        # Least absolute departures first, as in ``fit_ellipse``.
        bounded = np.minimum(spread / np.maximum(np.abs(off), 1e-9), 10.0)
        tukey = np.maximum(1 - (off / (4.685 * spread)) ** 2, 0) ** 2
        weights = kept * (bounded if turn_number < 9 else tukey)
    full = np.zeros(6)
    full[:2] = solution[:2] * size
    if free_tilt:
        full[2:4] = solution[3:5]
    if shaped:
        spot = 5 if free_tilt else 3
        full[4:6] = solution[spot : spot + 2] / size
    return full


def _lean(nominal: Radii) -> Radii:
    """ρ'/ρ: the slope of the outline against the tangent of a circle, (N,)."""
    return (np.roll(nominal, -1) - np.roll(nominal, 1)) / (2 * lines.angles(len(nominal))[1] * nominal)


def _moved(points: Points, move: NDArray[np.float64]) -> Points:
    """The points with that shift, stretch and perspective taken out."""
    away = points - move[:2]
    strained = away @ (np.eye(2) - np.array([[move[2], move[3]], [move[3], -move[2]]]))
    return np.asarray(strained / (1 + strained @ move[4:6])[:, None])


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
    return Departures(off, np.full_like(off, circle.radius), kept, circle.radius, centre)


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
    values, axes = np.linalg.eigh(frame.matrix)
    axis = axes[:, int(np.argmax(values))]
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
    return oval / oval.mean() - 1


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
