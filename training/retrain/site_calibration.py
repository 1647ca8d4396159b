"""Intervals on a site's own photos, where there are enough of them; else the base's, widened.

A part's joint factor is the conformal step (see ``wearvision_training.calibrate``): the quantile of the score
``max over the modes of residual / reach`` on photos that taught nothing. Of a photo whose label bounds a measure by
[low, high] the residual is 0 where the value lies inside, else the distance to the nearer end. That is the smallest
residual that the truth could have had, so the factor alone would say only: at the stated rate the intervals reach
into the labels' bounds, and the possible grades hold one that the label allows. That is valid as far as the labels'
bounds hold the truth and site photos of tomorrow are like those held out. How narrowly an interval holds the true
value *inside* the bounds such photos cannot tell. Hence a site's factor never falls below the base's, nor below what
the new heads need on drawn pictures of held-out designs, whose truth is exact.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wearvision.calibration import Calibration
from wearvision.parts import PARTS
from wearvision_training.calibrate import REFUSED_SHARE, Seen, conformal_quantile

LEAST_PHOTOS = 19
"""Site photos of a part from which the conformal quantile at 95 % exists: (n + 1) * 0.95 <= n."""
LEAST_TO_REFUSE = 50
"""Site photos of parts from which a share of one in fifty can be read off."""
WIDENED = 1.25
"""Least factor on a base's intervals where a site's photos are too few to fit any. A choice, no published source: a
dozen photos inside their intervals do not show that nineteen in twenty would be."""
Bounds = Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Held:
    """A photo or picture that taught nothing: what the new model sees in it, and what is true.

    Attributes:
        seen: By the library.
        bounds: Measure to the ends between which the truth lies; one value twice where it is known.
    """

    seen: Seen
    bounds: Bounds

    @property
    def part(self) -> str:
        """The true part."""
        return str(self.seen.truth["part"])


def score(held: Held, calibration: Calibration) -> float | None:
    """By which factor the intervals must be taken for all of them to reach into the bounds; None with no bounds."""
    worst: float | None = None
    for name, (low, high) in held.bounds.items():
        entry, direct = calibration.entries.get(f"{held.part}.{name}"), held.seen.direct.get(name)
        if entry is None or direct is None:
            continue
        joined = entry.blend(direct, held.seen.geometry.get(name) if entry.knows_geometry else None)
        above, below = (low - joined.value) / entry.above, (joined.value - high) / entry.below
        worst = max(worst or 0.0, above / joined.scale, below / joined.scale)
    return worst


def recalibrated(base: Mapping[str, Any], site: Sequence[Held], drawn: Sequence[Held]) -> dict[str, Any]:
    """The block ``calibration`` of a retrained model.

    Args:
        base: That of the base model.
        site: Photos of the split *calibrate*.
        drawn: Pictures of held-out designs, with exact truths.
    """
    read = Calibration.read(base)
    block = copy.deepcopy(dict(base))
    parts: dict[str, Any] = {}
    for part in PARTS:
        own, others = (
            np.array([one for held in some if held.part == part and (one := score(held, read)) is not None])
            for some in (site, drawn)
        )
        factor, parts[part] = _factor(part, base["joint"].get(part), own, others, read.rate)
        block["joint"][part] = factor
    everywhere = all(row["used"] == "site" for row in parts.values())
    refusal = _refusal(site)
    return block | {
        "calibrated_on": "site" if everywhere else base["calibrated_on"],
        "pictures": len(site) or base["pictures"],
        "refusal": refusal or base["refusal"],
        "refusal_of": "site" if refusal else "base model",
        "parts": parts,
    }


def _factor(
    part: str, released: float | None, site: np.ndarray, drawn: np.ndarray, rate: float
) -> tuple[float | None, dict[str, Any]]:
    """A part's joint factor, and how it came about."""
    count = len(site)
    if released is None:
        why = f"The base model has no intervals for this part, and {count} photos give none."
        return None, {"photos": count, "used": "released, widened", "why": why, "factor": None}
    needed = float(np.quantile(drawn, rate)) if len(drawn) >= LEAST_PHOTOS else 0.0
    if count >= LEAST_PHOTOS:
        quantile = conformal_quantile(site, rate)
        factor = max(quantile, released, needed)
        why = (
            f"{count} photos that taught nothing need {quantile:.2f}, {_said(len(drawn), needed)}; the base has "
            f"{released:.2f}. The largest holds."
        )
        return round(factor, 5), {"photos": count, "used": "site", "why": why, "factor": round(factor / released, 4)}
    largest = float(site.max()) if count else 0.0
    widened = max(WIDENED, largest / released, needed / released)
    why = (
        f"{count} photos are fewer than the {LEAST_PHOTOS} that a rate of {rate:.0%} needs. The base's intervals stay, "
        f"{widened:.2f} times as wide: the largest of {WIDENED}, of what the worst of these photos needs "
        f"({largest / released:.2f}), and of what drawn pictures say ({_said(len(drawn), needed / released)})."
    )
    told = {"photos": count, "used": "released, widened", "why": why, "factor": round(widened, 4)}
    return round(released * widened, 5), told


def _said(count: int, needed: float) -> str:
    if count < LEAST_PHOTOS:
        return f"{count} drawn pictures of held-out designs are too few to tell"
    return f"{count} drawn pictures of held-out designs need {needed:.2f}"


def _refusal(site: Sequence[Held]) -> dict[str, float] | None:
    """Limits by which one fit photo in fifty is refused; None where the photos are too few to tell."""
    parts = [held.seen for held in site if held.part in PARTS]
    if len(parts) < LEAST_TO_REFUSE:
        return None
    return {
        "least_energy": round(float(np.quantile([one.energy for one in parts], REFUSED_SHARE)), 4),
        "most_none": round(float(np.quantile([one.none for one in parts], 1 - REFUSED_SHARE)), 6),
    }


def exact(seen: Seen) -> Held:
    """A drawn picture, whose truth is known."""
    return Held(seen, {name: (float(value), float(value)) for name, value in seen.truth["measures"].items()})
