"""Pictures as the finder meets them: a whole photo, with bars where it is not square, the part of any size in it."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F

AWAY = 0.5
"""Share of a batch that is shrunk into other surroundings, as a part lies in a photo from far away."""
SMALLEST, LARGEST = 0.22, 0.9
"""Side of such a picture in its surroundings."""
BARRED = 0.6
"""Share of a batch with bars at two sides, as a photo of four to three gets them."""
WIDEST = 0.14
"""Width of each bar over the side: (1 - 3/4) / 2, and a little."""


def away(pictures: Tensor, part: Tensor, strangers: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Shrinks some pictures into surroundings: pictures of things that are no part, as they lie in the batch.

    Args:
        pictures: (B, 3, S, S) float, normalised.
        part: (B, 1, s, s) float, cover by the part.
        strangers: (B,) bool, which pictures show no part; where there are none the surroundings are plain.
        generator: Source of chance, on the same device.
    """
    count, device = len(pictures), pictures.device

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(count, generator=generator, device=device) * (high - low) + low

    side = torch.exp(uniform(math.log(SMALLEST), math.log(LARGEST)))
    chosen = (uniform(0, 1) < AWAY).view(-1, 1, 1, 1)
    x, y = (uniform(-1, 1) * (1 - side) for _ in range(2))
    zero = torch.zeros_like(side)
    theta = torch.stack(
        [torch.stack([1 / side, zero, -x / side], 1), torch.stack([zero, 1 / side, -y / side], 1)], dim=1
    )
    behind = _surroundings(pictures, strangers, generator)
    moved = []
    for planes, ground in ((pictures, behind), (part, torch.zeros_like(part))):
        grid = F.affine_grid(theta, list(planes.shape), align_corners=False)
        small = F.grid_sample(planes, grid, padding_mode="border", align_corners=False)
        inside = (grid.abs().amax(3) <= 1).unsqueeze(1)
        moved.append(torch.where(chosen, torch.where(inside, small, ground), planes))
    return moved[0], moved[1]


def _surroundings(pictures: Tensor, strangers: Tensor, generator: torch.Generator) -> Tensor:
    """For each picture one that shows no part, or one tone."""
    count, device = len(pictures), pictures.device
    weights = strangers.float() + 1e-6
    behind = pictures[torch.multinomial(weights, count, replacement=True, generator=generator)]
    tone = torch.rand((count, 3, 1, 1), generator=generator, device=device) * 1.6 - 0.8
    plain = torch.rand((count, 1, 1, 1), generator=generator, device=device) < 0.15
    return torch.where(plain | ~strangers.any(), tone.expand_as(pictures), behind)


def barred(pictures: Tensor, part: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Lays the tone of nothing over two opposite sides of some pictures.

    Args:
        pictures: (B, 3, S, S) float, normalised.
        part: (B, 1, s, s) float, cover by the part.
        generator: Source of chance, on the same device.
    """
    count, device = len(pictures), pictures.device

    def uniform(high: float) -> Tensor:
        return torch.rand((count, 1, 1, 1), generator=generator, device=device) * high

    width = torch.where(uniform(1) < BARRED, uniform(WIDEST), 0.0)
    upright = uniform(1) < 0.5
    clear = []
    for planes in (pictures, part):
        line = (torch.arange(planes.shape[-1], device=device) + 0.5) / planes.shape[-1]
        kept = torch.minimum(line, 1 - line).view(1, 1, 1, -1) >= width
        clear.append(planes * torch.where(upright, kept, kept.transpose(2, 3)))
    return clear[0], clear[1]
