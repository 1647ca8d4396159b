"""Random framing and light for a batch, on whatever device holds it."""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn import functional as F


def frame(pictures: Tensor, regions: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Turns by quarter turns and a little, mirrors, scales, shifts: pictures and regions alike.

    Outside the picture lies zero, as outside a photo that is not square.

    Args:
        pictures: (B, 3, S, S) float, normalised.
        regions: (B, R, S/2, S/2) float.
        generator: Source of chance, on the same device.
    """
    batch, device = len(pictures), pictures.device

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(batch, generator=generator, device=device) * (high - low) + low

    quarter = torch.randint(0, 4, (batch,), generator=generator, device=device) * (math.pi / 2)
    angle = quarter + uniform(-0.2, 0.2)
    zoom = torch.exp(uniform(math.log(0.85), math.log(1.35)))
    mirror = torch.where(uniform(0, 1) < 0.5, -1.0, 1.0)
    cos, sin = torch.cos(angle) * zoom, torch.sin(angle) * zoom
    shift_x, shift_y = uniform(-0.08, 0.08), uniform(-0.08, 0.08)
    theta = torch.stack(
        [torch.stack([cos * mirror, -sin, shift_x], 1), torch.stack([sin * mirror, cos, shift_y], 1)], dim=1
    )
    moved = []
    for planes in (pictures, regions):
        grid = F.affine_grid(theta, list(planes.shape), align_corners=False)
        moved.append(F.grid_sample(planes, grid.to(planes.dtype), padding_mode="zeros", align_corners=False))
    return moved[0], moved[1]


def light(pictures: Tensor, generator: torch.Generator) -> Tensor:
    """Exposure, contrast, colour cast, blur and noise, within what a usable photo has.

    Args:
        pictures: (B, 3, S, S) float, normalised to about -1 to 1.
        generator: Source of chance, on the same device.
    """
    batch, device = len(pictures), pictures.device

    def uniform(low: float, high: float, channels: int = 1) -> Tensor:
        shape = (batch, channels, 1, 1)
        return torch.rand(shape, generator=generator, device=device) * (high - low) + low

    unit = (pictures + 1) / 2
    unit = unit.clamp(0, 1) ** uniform(0.85, 1.18) * uniform(0.85, 1.12) * uniform(0.93, 1.07, 3)
    blurred = F.avg_pool2d(F.pad(unit, (1, 1, 1, 1), mode="replicate"), 3, stride=1)
    unit = torch.lerp(unit, blurred, uniform(-0.4, 0.9))
    noise = torch.randn(unit.shape, generator=generator, device=device) * uniform(0.0, 0.03)
    return (unit + noise).clamp(0, 1) * 2 - 1
