"""What a photo is like, apart from the wear that it shows: numbers by which a change of camera or light is noticed.

They judge nothing. ``fitness`` says whether a photo is fit; here the fit ones, too, get a number each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.colour import require_mask, require_rgb
from wearvision.measure.focus import edge_spread
from wearvision.measure.light import clipped_share, halved
from wearvision.measure.ranks import code_percentile, histogram
from wearvision.measure.regions import bounds

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Inputs:
    """One photo in numbers; None where no part was found in it.

    Attributes:
        softness: Spread of the edges / longer side of the part; larger is softer. None, too, where no edge stands out.
        brightness: Median brightness of the part, 0 to 1.
        clipped: Share of the part that is white in all three channels, by glare or light, 0 to 1.
        size_px: Longer side of the part, pixels of the photo as it was looked at.
        energy: How far the network knows such pictures; low for what it does not.
        none: Probability that it shows no part, 0 to 1.
    """

    softness: float | None
    brightness: float | None
    clipped: float | None
    size_px: float | None
    energy: float
    none: float

    def to_dict(self) -> dict[str, float | None]:
        """Plain values; ``none`` may be tiny, so digits are kept by their number, not by their place."""
        values = {name: getattr(self, name) for name in self.__slots__}
        return {name: None if value is None else float(f"{value:.5g}") for name, value in values.items()}


def inputs_of(
    square: NDArray[np.uint8], masks: Mapping[str, Mask], scale: float, *, energy: float, none: float
) -> Inputs:
    """The numbers of one photo.

    Args:
        square: What was judged, RGB, (H, W, 3) uint8.
        masks: Region name to bool (H, W); ``"part"`` is looked at, and may be missing.
        scale: Pixels of the photo to one of the square, > 0.
        energy: Of the sighting.
        none: Probability of no part.

    Raises:
        ValueError: wrong picture or mask.
    """
    require_rgb(square)
    part = masks.get("part")
    window = None if part is None else bounds(part)
    if part is None or window is None:
        return Inputs(None, None, None, None, energy, none)
    require_mask(part, square.shape, "part")
    longer = max(axis.stop - axis.start for axis in window)
    grey = np.asarray(cv2.cvtColor(square, cv2.COLOR_RGB2GRAY), np.uint8)
    # Halved as for the fitness check: grain is sharp at full size, however soft the picture is.
    spread = edge_spread(*halved(grey.astype(np.float32), part))
    return Inputs(
        softness=None if spread is None else 2.0 * spread.sigma_px / longer,
        brightness=code_percentile(histogram(grey, part), 50) / 255,
        clipped=clipped_share(square, part, channels=3),
        size_px=longer * scale,
        energy=energy,
        none=none,
    )
