"""Small changes of a photo along the network's gradient that hide its wear: what somebody with the weights can do.

Method: projected gradient descent within a bound on each code, after Madry et al., "Towards deep learning models
resistant to adversarial attacks" (2018). The gradient passes the network alone; whether the change fools the whole
program, geometry and intervals included, is seen by grading the changed photo.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from wearvision.network import FILL, Window
from wearvision_training.network import DEVIATION, MEAN, MEASURES, PART_NAMES, REGIONS, Outputs, WearNetwork

STEPS = 20
_STEP = 2.5
"""Length of a step over the bound by the number of steps: every place within it can be reached and left again."""
_FLOOR = -8.0
"""Logits below it are as low as they need be."""
WEAR_REGIONS = ("film", "clouding", "crack", "scorch", "residue", "bridge", "chip", "grime")


def hidden(
    network: WearNetwork,
    photos: Sequence[NDArray[np.uint8]],
    windows: Sequence[Window],
    parts: Sequence[str],
    *,
    codes: int,
    size: int,
    steps: int = STEPS,
    batch: int = 16,
) -> list[NDArray[np.uint8]]:
    """Photos whose wear the network sees least, no code changed by more than ``codes``.

    Args:
        network: In evaluation mode, on the device that is to be used.
        photos: RGB, (H, W, 3) uint8 each.
        windows: The square of each photo that the network judges.
        parts: The part in each.
        codes: Bound on the change of each code, >= 1.
        size: Side of the network's input.
        steps: Of the descent.
        batch: Photos at a time.
    """
    found: list[NDArray[np.uint8]] = []
    for at in range(0, len(photos), batch):
        some = slice(at, at + batch)
        found += _descend(network, photos[some], windows[some], parts[some], codes, size, steps)
    return found


def _descend(
    network: WearNetwork,
    photos: Sequence[NDArray[np.uint8]],
    windows: Sequence[Window],
    parts: Sequence[str],
    codes: int,
    size: int,
    steps: int,
) -> list[NDArray[np.uint8]]:
    device = next(network.parameters()).device
    starts = [torch.from_numpy(photo).to(device).permute(2, 0, 1).float() for photo in photos]
    moved = [start.clone() for start in starts]
    for _ in range(steps):
        for one in moved:
            one.requires_grad_(True)
        squares = torch.stack([_square(one, window, size) for one, window in zip(moved, windows, strict=True)])
        slopes = torch.autograd.grad(wear_seen(network((squares - MEAN) / DEVIATION), parts), moved)
        with torch.no_grad():
            moved = [
                (start + (one - _STEP * codes / steps * slope.sign() - start).clamp(-codes, codes)).clamp(0, 255)
                for start, one, slope in zip(starts, moved, slopes, strict=True)
            ]
    return [one.round().byte().permute(1, 2, 0).cpu().numpy() for one in moved]


def wear_seen(out: Outputs, parts: Sequence[str]) -> Tensor:
    """What the descent lowers, summed over the batch: signs of wear, their spreads, and that it may be no part.

    Args:
        out: Of the network.
        parts: The part in each picture.
    """
    total = out.part.new_zeros(())
    wear = [REGIONS.index(name) for name in WEAR_REGIONS]
    for row, part in enumerate(parts):
        own = [index for index, key in enumerate(MEASURES) if key.partition(".")[0] == part]
        total = total + out.presence[row, own].clamp(min=_FLOOR).mean() + 2 * out.value[row, own].sum()
        total = total + out.spread[row, own].sum()
        if out.reach.shape[2]:
            total = total + out.reach[row, own].clamp(min=_FLOOR).mean()
        total = total + out.regions[row, wear].clamp(min=_FLOOR).mean()
        total = total + F.cross_entropy(out.part[row], out.part.new_tensor(PART_NAMES.index(part)).long())
    return total


def _square(photo: Tensor, window: Window, size: int) -> Tensor:
    """As ``wearvision.network.square_crop``, but differentiable: (3, H, W) to (3, size, size)."""
    height, width = photo.shape[1:]
    scale = size / window.side
    row0, col0 = max(window.row, 0), max(window.col, 0)
    row1, col1 = min(window.row + window.side, height), min(window.col + window.side, width)
    top, left = (min(round(offset * scale), size - 1) for offset in (row0 - window.row, col0 - window.col))
    tall = min(max(round((row1 - row0) * scale), 1), size - top)
    wide = min(max(round((col1 - col0) * scale), 1), size - left)
    cut = photo[None, :, row0:row1, col0:col1]
    if scale < 1:
        seen = F.interpolate(cut, (tall, wide), mode="area")
    else:
        seen = F.interpolate(cut, (tall, wide), mode="bilinear", align_corners=False)
    return F.pad(seen, (left, size - left - wide, top, size - top - tall), value=float(FILL))[0]
