"""The outline that an end had when new, as the wear standard's order finds it: reference, circle, regular form."""

from __future__ import annotations

import numpy as np

from wearvision.measure import outline as lines
from wearvision.measure.circle import Points
from wearvision.measure.laying import LEAST_SPREAD_PX, Departures, Frame, lay
from wearvision.measure.outline import Period, Radii
from wearvision.measure.result import Reason, Unmeasured

MOST_WEAR = 0.12
"""Root mean square departure over radius beyond which an outline is not a round or a regular one worn."""

ROUND_SHARE = 0.5
"""Part of an outline that must lie on one circle for the end to be round: wear leaves that much, corners don't."""

LEAST_OUTLINE = 0.4
"""Least part of an outline between features that tells a circle."""

AGREES_PX, AGREES = 0.6, 0.015
"""How near a turn must come to the others to agree, in pixels (a bool mask's staircase) and over the radius."""

MOST_AGREES = 0.6
"""Part of an outline that agrees where wear is in one place: a dent of 60 degrees at half its depth leaves 0.7."""


def against_nominal(flat: Points, frame: Frame, reference: Radii | None) -> tuple[Departures, float] | Unmeasured:
    """Departures from the nominal that the standard's order gives, and the value of the other reading (0: none).

    Args:
        flat: (N, 2) rectified outline about the frame's origin, pixels.
        frame: The tilt taken out.
        reference: Profile of the part when new, if known, any scale and turn.
    """
    if reference is not None:
        return lay(flat, lambda radii: turned(reference, radii), frame), 0.0
    plain = lay(flat, plain_circle, frame)
    period = _period(plain)
    found, other = plain, 0.0
    if period is not None:
        found = lay(flat, lambda radii: regular(radii, period.order), frame)
        other = plain.value if period.pure else 0.0
    elif lines.without_features(plain.radii).mean() < LEAST_OUTLINE:
        return Unmeasured(Reason.NO_NOMINAL, "Notches and ribs leave too little of the outline.")
    if float(np.sqrt(np.mean(found.off[found.kept] ** 2))) > MOST_WEAR * found.size:
        return Unmeasured(Reason.NO_NOMINAL, "The outline is neither round nor regular; its shape when new is unknown.")
    return found, other


def _period(plain: Departures) -> Period | None:
    """The period of the design that a profile laid on its circle shows; None where it is round between features."""
    radii = plain.radii
    kept = lines.without_features(radii)
    period = lines.period_of(radii)
    if period is None:
        return None
    if not kept.all() and lines.runs_of(~kept) == period.order and kept.mean() >= LEAST_OUTLINE:
        # Ribs come as often as the design repeats; round between them is round.
        period = lines.period_of(lines.bridged(radii, kept))
    elif kept.all() and _on_circle(plain) >= ROUND_SHARE:
        return None
    return period


def _on_circle(plain: Departures) -> float:
    """Part of the kept outline that lies on its circle, within what a mask's staircase and a tilt leave."""
    near = np.abs(plain.off[plain.kept]) <= max(0.35, 0.005 * plain.size)
    return float(near.mean()) if len(near) else 0.0


def plain_circle(radii: Radii) -> Radii:
    """The circle between a profile's features."""
    return np.full_like(radii, np.median(radii[lines.without_features(radii)]))


def turned(reference: Radii, radii: Radii) -> Radii:
    """The reference scaled to the profile and turned to where they agree best."""
    scaled = reference * (np.median(radii) / np.median(reference))
    match = np.fft.irfft(np.fft.rfft(radii - radii.mean()) * np.conj(np.fft.rfft(scaled - scaled.mean())), len(radii))
    return np.roll(scaled, int(match.argmax()))


def regular(radii: Radii, order: int) -> Radii:
    """The profile made ``order``-fold symmetric, as most of the turns have it.

    Where most of the outline agrees with the median over the turns, what does not is a dent and loses its say
    (Tukey's weights); a plain median of few turns would follow a wide one. Where little agrees the wear goes
    all round: waves of other orders cancel in the mean over the turns, and do not in the median.
    """
    turn = lines.angles(len(radii))
    count = -(-len(radii) // order)
    sector = np.arange(count) * (2 * np.pi / order / count)
    at = sector[None, :] + 2 * np.pi * np.arange(order)[:, None] / order
    turns = np.interp(at, turn, radii, period=2 * np.pi)
    middle = np.median(turns, axis=0)
    agrees = float(np.mean(np.abs(turns - middle) <= max(AGREES_PX, AGREES * float(radii.mean()))))
    if agrees < MOST_AGREES:
        return np.asarray(np.interp(turn, sector, turns.mean(axis=0), period=2 * np.pi / order))
    for _ in range(4):
        off = turns - middle
        spread = max(1.4826 * float(np.median(np.abs(off))), LEAST_SPREAD_PX)
        weights = np.maximum(1 - (off / (4.685 * spread)) ** 2, 0) ** 2 + 1e-6
        middle = (weights * turns).sum(axis=0) / weights.sum(axis=0)
    return np.asarray(np.interp(turn, sector, middle, period=2 * np.pi / order))


__all__ = ["against_nominal", "plain_circle", "regular", "turned"]
