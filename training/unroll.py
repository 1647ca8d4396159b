"""Unrolls what is round about its own middle, so that turns become shifts and an outline a line.

A melted outline or a lost tooth differs from its neighbours round the ring by a few cells, whatever the design. On the
unrolled ring a few small convolutions see that, and pooling over all angles keeps the answer the same for every turn.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from wearvision.parts import region_names

ANGLES, RADII = 144, 28
"""Samples round the ring, six for each of 24 teeth, and outwards."""
NEAREST, FARTHEST = 0.06, 1.4
"""Radii that are sampled, in radii of a disc with the same spread."""
ROUND = ("window", "rim", "face", "socket")
"""Regions that lie about the middle of a round part; where there are none the whole part stands in."""
WHOLE = 0.02
"""Weight of the whole part beside them."""
WIDTHS = (32, 48, 64, 64)
"""Channels of the convolutions on the ring."""
_ROUND = [region_names().index(name) for name in ROUND]


class _Ring(nn.Module):
    """One convolution on the unrolled ring; round the ring it has no ends."""

    def __init__(
        self, inputs: int, outputs: int, kernel: tuple[int, int], *, stride: int = 1, apart: int = 1, inner: int = 0
    ) -> None:
        super().__init__()
        self.turn = (kernel[1] // 2) * apart
        self.work = nn.Sequential(
            nn.Conv2d(inputs, outputs, kernel, stride=(stride, 1), padding=(inner, 0), dilation=(1, apart), bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU6(),
        )

    def forward(self, ring: Tensor) -> Tensor:
        closed = torch.cat([ring[..., -self.turn :], ring, ring[..., : self.turn]], dim=3)
        out: Tensor = self.work(closed)
        return out


class Unroll(nn.Module):
    """Figures of a ring: largest, mean and spread over all angles of what the convolutions find.

    Args:
        channels: Of the features that are unrolled.
    """

    def __init__(self, channels: int) -> None:
        super().__init__()
        one, two, three, four = WIDTHS
        self.rings = nn.Sequential(
            _Ring(channels, one, (3, 5), stride=2, inner=1),
            _Ring(one, two, (3, 5), stride=2, inner=1),
            _Ring(two, three, (RADII // 4, 5), apart=2),
            _Ring(three, four, (1, 5), apart=4),
        )
        self.outputs = 3 * four

    def forward(self, features: Tensor, cover: Tensor) -> Tensor:
        """The figures, (B, ``outputs``) float.

        Args:
            features: (B, C, H, W) to unroll.
            cover: (B, R, H, W) float, 0 to 1, cover by each region; tells middle, size and tilt.
        """
        found = self.rings(ring_of(features, cover)).float().squeeze(2)
        spread = torch.sqrt(found.var(2, unbiased=False) + 1e-4)
        return torch.cat([found.amax(2), found.mean(2), spread], dim=1)


def ring_of(features: Tensor, cover: Tensor) -> Tensor:
    """Features along rays from the middle of what is round, (B, C, ``RADII``, ``ANGLES``).

    The rays end on the ellipse that has the spread of the round regions together, which takes out a tilt.
    """
    weight = cover[:, _ROUND].amax(1) + WHOLE * cover[:, 0] + 1e-6
    height, width = weight.shape[-2:]
    y = torch.linspace(-1, 1, height, device=weight.device, dtype=weight.dtype).view(1, height, 1) * (1 - 1 / height)
    x = torch.linspace(-1, 1, width, device=weight.device, dtype=weight.dtype).view(1, 1, width) * (1 - 1 / width)
    mass = weight.sum((1, 2))

    def mean(of: Tensor) -> Tensor:
        return (weight * of).sum((1, 2)) / mass

    cx, cy = mean(x), mean(y)
    dx, dy = x - cx[:, None, None], y - cy[:, None, None]
    xx, yy, xy = mean(dx * dx) + 1e-4, mean(dy * dy) + 1e-4, mean(dx * dy)
    root = torch.sqrt((xx * yy - xy * xy).clamp(min=1e-8))
    total = torch.sqrt(xx + yy + 2 * root)
    # A disc of radius 1 has the deviation 1/2 along each axis: twice the root of the spread leads to its edge.
    ax, axy, ay = (2 * one / total for one in (xx + root, xy, yy + root))
    angle = torch.arange(ANGLES, device=weight.device, dtype=weight.dtype) * (2 * math.pi / ANGLES)
    radius = torch.linspace(NEAREST, FARTHEST, RADII, device=weight.device, dtype=weight.dtype)[:, None]
    u, v = radius * torch.cos(angle), radius * torch.sin(angle)

    def placed(at: Tensor, of_u: Tensor, of_v: Tensor) -> Tensor:
        return at[:, None, None] + of_u[:, None, None] * u + of_v[:, None, None] * v

    grid = torch.stack([placed(cx, ax, axy), placed(cy, axy, ay)], dim=3)
    return F.grid_sample(features, grid.to(features.dtype), padding_mode="zeros", align_corners=False)
