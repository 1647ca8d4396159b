"""From signs to a class of cause: how they add up, and what is left of it when something is in doubt."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from wearvision.standard.origins import CAUSES, Cause, Sign, State

Class = Cause | Literal["open"]
OPEN: Literal["open"] = "open"
Sure = Literal["open", "likely", "clear"]
SURE: tuple[Sure, ...] = ("open", "likely", "clear")
"""From the least sure."""
CLEAR_FROM, CLEAR_AHEAD = 3, 2
LIKELY_FROM, LIKELY_AHEAD = 2, 1
"""Points of the signs (weak 1, strong 2, against negative), and how far ahead of every other class; our own
convention, so that one strong sign is likely and clear takes a second one. No published source."""

_DOUBT: tuple[State, ...] = ("may be worn", "not seen")
_EITHER: tuple[State, ...] = ("worn", "not worn")


def likely(signs: Iterable[Sign]) -> tuple[Class, Sure]:
    """The class that the signs come to and how sure; ``open`` where none is ahead."""
    points = dict.fromkeys(CAUSES, 0)
    for sign in signs:
        points[sign.cause] += sign.points
    first, second = sorted(CAUSES, key=lambda cause: -points[cause])[:2]
    ahead = points[first] - max(0, points[second])
    if points[first] >= CLEAR_FROM and ahead >= CLEAR_AHEAD:
        return first, "clear"
    if points[first] >= LIKELY_FROM and ahead >= LIKELY_AHEAD:
        return first, "likely"
    return OPEN, OPEN


def capped(cause: Class, sure: Sure, most: Sure) -> tuple[Class, Sure]:
    """The class, no surer than ``most``; one that may only be open is no class."""
    least = min(sure, most, key=SURE.index)
    return (OPEN, OPEN) if least == OPEN else (cause, least)


def agreed(each: Iterable[tuple[Class, Sure]]) -> tuple[Class, Sure]:
    """The class on which all agree, as sure as the least sure; ``open`` where they differ or there are none."""
    cause: Class = OPEN
    sure: Sure = "clear"
    for number, (one, how) in enumerate(each):
        if one == OPEN or (number and one != cause):
            return OPEN, OPEN
        cause, sure = one, min(sure, how, key=SURE.index)
    return (cause, sure) if cause != OPEN else (OPEN, OPEN)


def whichever(signs: Sequence[Sign], states: Mapping[str, State]) -> tuple[Class, Sure]:
    """The class that comes out whichever way the modes in doubt turn out.

    Args:
        signs: Those of one mode that is worn, its own state aside.
        states: Mode to what is known of it.
    """
    if not signs:
        return OPEN, OPEN
    keys = list(states)
    ways = itertools.product(*(_EITHER if states[key] in _DOUBT else (states[key],) for key in keys))
    tried = (dict(zip(keys, way, strict=True)) for way in ways)
    return agreed(likely(sign for sign in signs if sign.fits(one)) for one in tried)
