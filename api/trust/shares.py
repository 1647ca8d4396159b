"""Shares with intervals where some parts were more likely to be checked than others.

Grades fall into classes in which every check is as likely to be asked for. A grade whose check came back stands for
1 / (chance of being asked × share of those asked in its class that came back) grades; the share of confirmed ones is
the ratio of the weights (Hájek). The interval is Wilson's on the sample size at which a simple random sample would vary
as much as this one does; with one class only it is Wilson's plain interval.

Source: Hájek, 1971; weighting classes for those that did not answer: Oh and Scheuren, 1983; effective sample size from
the design's own variance: Korn and Graubard, 1998; Wilson, 1927 (all from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from wearvision_api.figures.curve import NORMAL_95

COVERED = 0.9
"""Least share of the weight that must lie in classes with an answer; below it the share is not said."""


@dataclass(frozen=True, slots=True)
class Class:
    """Grades whose checks are equally likely to be asked for.

    Attributes:
        chance: Of being asked, 0 < chance ≤ 1.
        asked: How many were.
        answered: Of these, how many came back.
        held: Of these, how many bore the photo out.
    """

    chance: float
    asked: int
    answered: int
    held: int

    def __post_init__(self) -> None:
        if not (0 < self.chance <= 1 and 0 <= self.held <= self.answered <= self.asked):
            raise ValueError(f"no class of checks: {self}")

    @property
    def weight(self) -> float:
        """How many grades those asked stand for."""
        return self.asked / self.chance


@dataclass(frozen=True, slots=True)
class Share:
    """A share and how sure it is.

    Attributes:
        value: 0 to 1; None where it cannot be said.
        low: Lower end of the 95 % interval, were those that did not come back like the others of their class.
        high: Upper end.
        least: Were none of those that did not come back borne out.
        most: Were all of them.
        unweighted: Of those that came back, not weighted.
        asked: Checks asked for.
        answered: Of these, how many came back.
        held: Of these, how many bore the photo out.
        effective: Size of a simple random sample that would be as sure.
        reason: Why ``value`` is not said; else empty.
    """

    value: float | None
    low: float | None
    high: float | None
    least: float | None
    most: float | None
    unweighted: float | None
    asked: int
    answered: int
    held: int
    effective: float
    reason: str = ""


def share(classes: Sequence[Class]) -> Share:
    """The share over all classes.

    Args:
        classes: Any number; those of which none was asked count nothing.

    Returns:
        The share; not said where nothing came back, or a class that stands for more than a tenth sent nothing back.
    """
    asked, answered, held = (sum(getattr(one, name) for one in classes) for name in ("asked", "answered", "held"))
    weight = math.fsum(one.weight for one in classes)
    if not weight:
        return Share(None, None, None, None, None, None, 0, 0, 0, 0.0, "No check was asked for yet.")
    unweighted = held / answered if answered else 0.0
    least = math.fsum(one.held / one.chance for one in classes) / weight
    most = least + math.fsum((one.asked - one.answered) / one.chance for one in classes) / weight
    heard = [one for one in classes if one.answered]
    covered = math.fsum(one.weight for one in heard) / weight
    if covered < COVERED:
        silent = sum(one.asked for one in classes if not one.answered)
        reason = f"Of {silent} checks that stand for {1 - covered:.0%} of these grades none has come back yet."
        said = unweighted if answered else None
        return Share(None, None, None, least, min(most, 1.0), said, asked, answered, held, 0.0, reason)
    parts = [one.weight / (covered * weight) for one in heard]
    value = math.fsum(part * one.held / one.answered for part, one in zip(parts, heard, strict=True))
    value = unweighted if unweighted in (0.0, 1.0) else value  # no rounding where all are alike
    effective = _effective(heard, parts)
    low, high = wilson(value, effective)
    return Share(value, low, high, least, min(most, 1.0), unweighted, asked, answered, held, effective)


def _effective(heard: Sequence[Class], parts: Sequence[float]) -> float:
    """Size of a simple random sample with the variance of this one.

    With a confirmed and an unconfirmed check added to each class, so that a class without any of one kind is not taken
    to be without chance. Never more than came back: what classes may gain is left out, a few checks do not show it.
    """
    smooth = [(one.held + 1) / (one.answered + 2) for one in heard]
    middle = math.fsum(part * value for part, value in zip(parts, smooth, strict=True))
    variance = math.fsum(
        part**2 * value * (1 - value) / one.answered for part, value, one in zip(parts, smooth, heard, strict=True)
    )
    return min(middle * (1 - middle) / variance, float(sum(one.answered for one in heard)))


def wilson(value: float, size: float, z: float = NORMAL_95) -> tuple[float, float]:
    """Wilson's interval of a share (Wilson, 1927; from memory).

    Args:
        value: The share, 0 to 1.
        size: How many it is of; need not be whole, > 0.
        z: Quantile of the normal law; that of a 95 % interval if left out.
    """
    middle = (value + z * z / (2 * size)) / (1 + z * z / size)
    reach = z / (1 + z * z / size) * math.sqrt(value * (1 - value) / size + z * z / (4 * size * size))
    return (0.0 if value <= 0 else max(0.0, middle - reach)), (1.0 if value >= 1 else min(1.0, middle + reach))
