"""``corner_rounding`` and ``tooth_loss``: how far a drive socket is worn."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.outline import Radii, Region
from wearvision.measure.profile import LEAST_LIMIT_PX, Frame
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision.measure.socket import Corner, Kind, Socket, read_socket

CORNER_ERROR_PX = 0.3
"""Standard deviation of the distance from a corner's rounding to where its sides would meet.

Found as the scatter over the like corners of drawn sockets with centre to flat of 30 to 100 pixels, tilted to
35 degrees: 0.23 to 0.42 in a hexagon, a D and a double-D; a square's also holds ``CORNER_SKEW``."""

CORNER_SKEW = 0.012
"""The same that does not shrink with the picture, over centre to flat: what perspective does to a corner."""

COARSE, FINE = 0.04, 0.005
"""Steps in which fillet radii are tried, over the distance from centre to flat."""

SOFTENING_PX = 1.0
"""Standard deviation of mask smoothing and pixels together at a corner, see ``_unblurred`` (test_corners.py)."""

TIP_ERROR_PX = 0.3
"""Two-sigma error of a tooth tip's height."""


def corner_distance(half_width: float, fillet: float, sides: int) -> float:
    """Distance from the centre of a regular polygon to the middle of a corner's fillet, in the unit of its arguments.

    Args:
        half_width: Distance from centre to flat, a.
        fillet: Fillet radius r, 0 to a.
        sides: Number of flats, >= 3.
    Source: plane geometry; square a√2 - r(√2 - 1), hexagon 2a/√3 - r(2/√3 - 1).
    """
    secant = 1 / np.cos(np.pi / sides)
    return float(half_width * secant - fillet * (secant - 1))


def corner_rounding(
    socket: Region | Socket, frame: Frame | None = None, *, moulded: float = 0.0, limit: float = 0.15
) -> Outcome:
    """Fillet radius of the most worn corner over the distance from centre to flat; 0 is sharp, 1 is round.

    Args:
        socket: The drive opening, (H, W) bool or probability, or what ``read_socket`` made of it.
        frame: The tilt, best from the end's outer outline.
        moulded: The design's own fillet over the same distance, where known; it is taken off.
        limit: The smallest rounding that matters; under 3 pixels it can't be told. 0: no such rule.
    Returns:
        Measured; or unmeasured: ``not_in_view``, ``not_resolvable``, ``no_nominal`` (no corners: round or splined).
    Raises:
        ValueError: a region that is not (H, W) bool or 0 to 1.
    Limits: centre to flat of 20 pixels or more; in a D whose flat is short a corner is blunt and tells less.
    Source: own definition, see the wear standard; the fillet as in ``corner_distance``.
    """
    found = socket if isinstance(socket, Socket) else read_socket(socket, frame)
    if isinstance(found, Unmeasured):
        return found
    if not found.corners:
        return Unmeasured(Reason.NO_NOMINAL, f"A {found.kind} opening has no corners to judge.")
    radii = np.array([_unblurred(fillet_radius(corner), corner, found.a_px) for corner in found.corners])
    reach = np.array([1 / np.cos(corner.turn / 2) - 1 for corner in found.corners])
    noise = float(np.hypot(CORNER_ERROR_PX / found.a_px / reach.mean(), CORNER_SKEW))
    # Taking the smoothing off a corner that is hardly rounder than it makes the error larger: d√(r² - s²) = r dr / √….
    softened = SOFTENING_PX / found.a_px / float(np.sqrt(reach.mean()))
    plain = max(float(radii.mean()), softened)
    radius, error = worst_of(radii, noise * float(np.hypot(plain, softened)) / plain)
    value = max(radius - moulded, 0.0)
    low, high = max(radius - moulded - error, 0.0), value + error
    if limit > 0 and limit * found.a_px < LEAST_LIMIT_PX and low < limit:
        return Unmeasured(Reason.NOT_RESOLVABLE, f"A fillet of {limit:g} is under 3 pixels here; come closer.")
    return Measured(value, low, high, trace=found.trace)


def worst_of(values: Radii, noise: float) -> tuple[float, float]:
    """The largest of like values that are each known to within ``noise``, and its two-sigma error.

    The largest of several noisy values is too large, the more so the more there are. Each is drawn to their mean
    by the share of their scatter that noise explains, before the largest is taken.

    Args:
        values: (N,), N >= 1.
        noise: Standard deviation of each.
    Source: C. N. Morris, JASA 78 (1983) 47-55, empirical Bayes (from memory).
    """
    scatter = float(np.var(values, ddof=1)) if len(values) > 1 else np.inf
    own = max(1 - noise**2 / scatter, 0.0) if scatter > 0 else 0.0
    mean = float(values.mean())
    error = 2 * noise * float(np.sqrt(own + (1 - own) / len(values)))
    return mean + own * (float(values.max()) - mean), error


def fillet_radius(corner: Corner) -> float:
    """The fillet radius that fits a corner's outline best, over the distance from centre to flat."""
    if len(corner.points) < 3:
        return 0.0
    around = _cheapest(corner, np.arange(0.0, 0.96, COARSE))
    return _cheapest(corner, np.arange(max(around - COARSE, 0.0), around + COARSE, FINE))


def _cheapest(corner: Corner, tried: Radii) -> float:
    """The radius of least squared distance among those tried, by a parabola through its neighbours."""
    cost = np.array([float(np.mean(_distance(corner, radius) ** 2)) for radius in tried])
    best = int(cost.argmin())
    if not 0 < best < len(tried) - 1:
        return float(tried[best])
    left, mid, right = cost[best - 1 : best + 2]
    bend = left - 2 * mid + right
    return float(tried[best] + (0.5 * (left - right) / bend if bend > 0 else 0.0) * (tried[1] - tried[0]))


def _unblurred(radius: float, corner: Corner, a_px: float) -> float:
    """The fillet radius without what smoothing adds to it.

    Smoothing of deviation σ moves a fillet of radius r inwards by σ²/2r. With the distance lost at a corner,
    r (1/cos(turn/2) - 1), that is the sum of squares of r and σ/√(1/cos(turn/2) - 1), also right for a sharp one.
    """
    added = SOFTENING_PX / a_px / np.sqrt(1 / np.cos(corner.turn / 2) - 1)
    return float(np.sqrt(max(radius**2 - added**2, 0.0)))


def _distance(corner: Corner, radius: float) -> NDArray[np.float64]:
    """Signed distance of a corner's outline from the corner with that fillet, positive outside, (N,)."""
    points = corner.points
    straight = points[:, 0] - corner.flat
    if corner.bow is not None:
        second = np.hypot(*points.T) - corner.bow
        x = corner.flat - radius
        centre = np.array([x, np.sqrt(max((corner.bow - radius) ** 2 - x * x, 0.0))])
        turn = float(np.arctan2(centre[1], centre[0]))
    else:
        turn = corner.turn
        second = points @ np.array([np.cos(turn), np.sin(turn)]) - corner.other
        x = corner.flat - radius
        centre = np.array([x, ((corner.other - radius) - x * np.cos(turn)) / np.sin(turn)])
    away = points - centre
    angle = np.arctan2(away[:, 1], away[:, 0])
    fillet = np.hypot(*away.T) - radius
    return np.asarray(np.where((angle > 0) & (angle < turn), fillet, np.maximum(straight, second)))


def tooth_loss(
    socket: Region | Socket, frame: Frame | None = None, *, reference: Socket | None = None, limit: float = 0.15
) -> Outcome:
    """Lost part of the tooth height of the worst tooth of a splined socket; 0 is new, 1 is gone.

    Args:
        socket: The drive opening, (H, W) bool or probability, or what ``read_socket`` made of it.
        frame: The tilt, best from the end's outer outline.
        reference: The same socket when new; without it the tallest fifth of the teeth say how tall they were.
        limit: The smallest loss that matters; under 3 pixels it can't be told. 0: no such rule.
    Returns:
        Measured; or unmeasured: ``not_in_view``, ``not_resolvable``, ``no_nominal`` (not splined).
    Raises:
        ValueError: a region that is not (H, W) bool or 0 to 1.
    Limits: without a reference wear that is even over all teeth can't be seen.
    Source: own definition, see the wear standard.
    """
    found = socket if isinstance(socket, Socket) else read_socket(socket, frame)
    if isinstance(found, Unmeasured):
        return found
    if found.kind is not Kind.SPLINED:
        return Unmeasured(Reason.NO_NOMINAL, f"A {found.kind} opening has no teeth to judge.")
    tips, root = _tips(found.radii, found.count)
    new = float(np.quantile(tips, 0.2))
    note = "Wear that is even over all teeth can't be seen without a reference."
    if reference is not None and reference.kind is Kind.SPLINED and reference.count == found.count:
        first, first_root = _tips(reference.radii, reference.count)
        new, note = float(np.median(first)) / first_root * root, ""
    height = root - new
    if height < LEAST_LIMIT_PX:
        return Unmeasured(Reason.NOT_RESOLVABLE, "The teeth are under 3 pixels high; come closer.")
    raw = float(tips.max() - new) / height
    value, error = float(np.clip(raw, 0.0, 1.0)), 2 * TIP_ERROR_PX / height
    low, high = max(value - error, 0.0), min(value + error, 1.0)
    if limit > 0 and limit * height < LEAST_LIMIT_PX and low < limit:
        return Unmeasured(Reason.NOT_RESOLVABLE, f"A loss of {limit:g} is under 3 pixels here; come closer.")
    return Measured(value, low, high, trace=found.trace, note=note)


def _tips(radii: Radii, count: int) -> tuple[Radii, float]:
    """Radius of each tooth's tip, (count,), and the median radius of the roots between them."""
    phase = float(np.angle(np.fft.rfft(radii)[count]))
    first = (np.pi - phase) / count
    turn = np.linspace(-0.5, 0.5, 33)[:-1] * 2 * np.pi / count
    grid = first + 2 * np.pi * np.arange(count)[:, None] / count + turn[None, :]
    every = np.arange(len(radii)) * 2 * np.pi / len(radii)
    sectors = np.interp(grid, every, radii, period=2 * np.pi)
    tips = np.quantile(sectors[:, 6:26], 0.15, axis=1)
    return tips, float(np.median(np.quantile(sectors, 0.92, axis=1)))
