"""Thinning of a mask to a line one pixel wide.

The two-subcycle parallel thinning of Guo and Hall (1989) in the form of Lam, Lee and Suen (1992): a
pixel goes if it is no end, if its going cuts nothing, and if it lies on the side of this subcycle.
OpenCV keeps thinning in its contributed modules, which the base install does without.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wearvision.measure.regions import Region, as_bool, bounds

# Neighbours x1 … x8 of Lam, Lee and Suen: east, then anticlockwise.
_NEIGHBOURS = ((0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0), (1, 1))


_WITHOUT = [np.uint8(255 - (1 << bit)) for bit in range(8)]


def _removable(first: bool) -> NDArray[np.bool_]:
    """Look-up table over the 256 neighbourhoods: may the centre go in this subcycle?"""
    table = np.zeros(256, bool)
    for code in range(256):
        x = [bool(code >> k & 1) for k in range(8)]
        crossings = sum(not x[2 * i] and (x[2 * i + 1] or x[(2 * i + 2) % 8]) for i in range(4))
        pairs_odd = sum(x[2 * i] or x[2 * i + 1] for i in range(4))
        pairs_even = sum(x[2 * i + 1] or x[(2 * i + 2) % 8] for i in range(4))
        side = (
            (x[1] or x[2] or not x[7]) and x[0] if first else (x[5] or x[6] or not x[3]) and x[4]
        )
        table[code] = crossings == 1 and 2 <= min(pairs_odd, pairs_even) <= 3 and not side
    return table


_SUBCYCLES = (_removable(True), _removable(False))


def thin(mask: Region) -> NDArray[np.bool_]:
    """The mask's skeleton, connected as the mask is and one pixel wide.

    Args:
        mask: Region, (H, W) bool or float (half level).
    Returns:
        (H, W) bool, a subset of the mask.
    Limits: chain lengths along it depend on direction (up to +8 % at 22.5 degrees); see :mod:`.cracks`.
    Source: Guo, Hall, Communications of the ACM 32 (1989) 359; Lam, Lee, Suen, IEEE TPAMI 14 (1992) 869.
    Example:
        >>> bar = np.zeros((9, 20), bool); bar[3:6, 2:18] = True
        >>> thin(bar).sum(axis=0).max()
        np.int64(1)
    """
    whole = as_bool(mask)
    window = bounds(whole)
    if window is None:
        return whole
    image = np.pad(whole[window], 1).view(np.uint8)
    _thin_in_place(image.reshape(-1), image.shape[1])
    result = np.zeros_like(whole)
    result[window] = image[1:-1, 1:-1].view(bool)
    return result


def _thin_in_place(flat: NDArray[np.uint8], stride: int) -> None:
    """Thin a zero-bordered picture given as one row of pixels.

    Only pixels next to background can go, so the work follows the border inwards instead of the area. Each pixel keeps
    its neighbourhood as a number, which the pixels that go take themselves out of.
    """
    offsets = [row * stride + column for row, column in _NEIGHBOURS]
    inside = np.flatnonzero(flat)
    around = np.zeros(flat.size, np.uint8)
    for bit, offset in enumerate(offsets):
        around[inside] |= flat[inside + offset] << np.uint8(bit)
    active = inside[around[inside] != 255]
    order = np.zeros(flat.size, np.intp)
    idle = 0
    while idle < 2:
        for table in _SUBCYCLES:
            going = table[around[active]]
            gone = active[going]
            if not gone.size:
                idle += 1
                continue
            idle = 0
            flat[gone] = 0
            for bit, offset in enumerate(offsets):
                # The neighbour at this offset sees the pixel that went on its opposite side.
                around[gone + offset] &= _WITHOUT[(bit + 4) % 8]
            beside = (gone[:, None] + offsets).reshape(-1)
            found = np.concatenate([active[~going], beside[flat[beside] > 0]])
            # Each pixel once: the last of its places stays written.
            places = np.arange(found.size)
            order[found] = places
            active = found[order[found] == places]
