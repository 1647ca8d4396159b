"""What the heads are told of the feature maps: means, and the evidence that means wash out.

A crack covers one cell in a hundred and a rim is out of round by two of them; a mean over the part hardly moves. So
``ShapePool`` adds means over each region, maxima, learned attention for each measure, and the form of each region;
``RingPool`` also unrolls what is round.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from wearvision_training.unroll import Unroll


class PlainPool(nn.Module):
    """Features averaged over the picture and over the part, and each region's share of the part.

    Args:
        channels: Of the features at strides 32, 16, 8, 4.
        regions: Number of regions, ``part`` the first.
        measures: Not used; the same call makes either pool.
    """

    def __init__(self, channels: tuple[int, int, int, int], regions: int, measures: int) -> None:
        super().__init__()
        top, c16, c8, c4 = channels
        self.outputs = top + 2 * c16 + 2 * c8 + c4 + regions

    def forward(self, top: Tensor, d16: Tensor, d8: Tensor, d4: Tensor, regions: Tensor) -> Tensor:
        """Args: features at strides 32, 16, 8, 4 and (B, R, S/2, S/2) logits of regions."""
        seen = torch.sigmoid(regions)
        part = seen[:, :1]
        pieces = [top.mean((2, 3))]
        for features in (d16, d8):
            weight = F.adaptive_avg_pool2d(part, (features.shape[-2], features.shape[-1]))
            pieces.append((features * weight).sum((2, 3)) / (weight.sum((2, 3)) + 1e-3))
            pieces.append(features.amax((2, 3)))
        weight = F.avg_pool2d(part, 2)
        pieces.append((d4 * weight).sum((2, 3)) / (weight.sum((2, 3)) + 1e-3))
        pieces.append(seen.sum((2, 3)) / (part.sum((2, 3)) + 1.0))
        return torch.cat(pieces, dim=1)


class ShapePool(nn.Module):
    """What ``PlainPool`` gives, and fine evidence; all brought to like scale and kept within six deviations.

    Args:
        channels: Of the features at strides 32, 16, 8, 4.
        regions: Number of regions, ``part`` the first.
        measures: Number of measures; each has a map of attention of its own.
        narrow: Channels to which the finest features are brought before they are gathered.
    """

    def __init__(self, channels: tuple[int, int, int, int], regions: int, measures: int, narrow: int = 24) -> None:
        super().__init__()
        self.plain = PlainPool(channels, regions, measures)
        self.fine = nn.Sequential(nn.Conv2d(channels[3], narrow, 1, bias=False), nn.BatchNorm2d(narrow), nn.ReLU6())
        self.attention = nn.Conv2d(channels[3], measures, 1)
        gathered = narrow * (regions + measures) + narrow + 2 * regions
        self.outputs = self.plain.outputs + gathered + FORMS * regions
        self.level = nn.BatchNorm1d(self.outputs, eps=1e-3)

    def forward(self, top: Tensor, d16: Tensor, d8: Tensor, d4: Tensor, regions: Tensor) -> Tensor:
        """Args: as ``PlainPool``."""
        # Measures may read the masks, not bend them: the geometry reads them too.
        seen = F.avg_pool2d(torch.sigmoid(regions.detach().float()), 2)
        fine = self.fine(d4)
        gathered = [self.plain(top, d16, d8, d4, regions), *self._gathered(d4, fine, seen)]
        level: Tensor = self.level(torch.cat([piece.float() for piece in gathered], dim=1))
        return level.clamp(-6.0, 6.0)

    def _gathered(self, d4: Tensor, fine: Tensor, seen: Tensor) -> list[Tensor]:
        """The fine evidence, as (B, …) each: finest features, the same narrowed, and the cover of each region."""
        cells = fine.flatten(2).transpose(1, 2)
        cover = seen.flatten(2)
        by_region = (cover @ cells.float()) / (cover.sum(2, keepdim=True) + 1.0)
        attention = torch.softmax(self.attention(d4).float().flatten(2), dim=2)
        by_measure = attention @ cells.float()
        brightest = seen.amax((2, 3))
        dense = seen.square().square().square().mean((2, 3)) ** 0.125
        pieces = [by_region.flatten(1), by_measure.flatten(1), fine.amax((2, 3)), brightest, dense]
        return [*pieces, forms(F.avg_pool2d(seen, 2)).flatten(1)]


class RingPool(ShapePool):
    """What ``ShapePool`` gives, and figures of what is round, unrolled about its middle (see ``unroll``)."""

    def __init__(self, channels: tuple[int, int, int, int], regions: int, measures: int, narrow: int = 24) -> None:
        super().__init__(channels, regions, measures, narrow)
        self.ring = Unroll(narrow + regions)
        self.outputs += self.ring.outputs
        self.level = nn.BatchNorm1d(self.outputs, eps=1e-3)

    def _gathered(self, d4: Tensor, fine: Tensor, seen: Tensor) -> list[Tensor]:
        ring = self.ring(torch.cat([fine.float(), seen], dim=1), seen)
        return [*super()._gathered(d4, fine, seen), ring]


FORMS = 11
"""Figures of form for each region; see ``forms``."""
DOUBT = 0.04
"""Cover up to here counts as none: faint doubt far from a region would outweigh it in high orders."""


def forms(cover: Tensor) -> Tensor:
    """The form of each region by its moments, without size, place, turn and tilt.

    Coordinates are taken about the region's centre and in units of its own spread along and across, which makes an
    ellipse a circle and so takes out a tilt. What is left tells the form: how far mass lies out (order 4 and 6), and
    how strongly it repeats 3, 4, 5, 6 times around.

    Args:
        cover: (B, R, H, W) float, 0 to 1, ``part`` the first of the regions.

    Returns:
        (B, R, 11): how much there is (logarithm), length and width against the part's, distance from the part's
        centre, two figures of how far out, skew, and the strength of four repeats, all near 0 to 3.
    """
    weight = (cover - DOUBT).clamp(min=0) / (1 - DOUBT)
    height, width = cover.shape[-2:]
    y = torch.linspace(-1, 1, height, device=cover.device, dtype=cover.dtype).view(1, 1, height, 1)
    x = torch.linspace(-1, 1, width, device=cover.device, dtype=cover.dtype).view(1, 1, 1, width)
    mass = weight.sum((2, 3), keepdim=True) + 0.1

    def mean(of: Tensor) -> Tensor:
        return (weight * of).sum((2, 3), keepdim=True) / mass

    cx, cy = mean(x), mean(y)
    dx, dy = x - cx, y - cy
    least = (1.0 / height) ** 2  # a region of one cell has this spread
    xx, yy, xy = mean(dx * dx) + least, mean(dy * dy) + least, mean(dx * dy)
    root = torch.sqrt((xx * yy - xy * xy).clamp(min=least * least))
    total = torch.sqrt(xx + yy + 2 * root)
    u = ((yy + root) * dx - xy * dy) / (root * total)
    v = ((xx + root) * dy - xy * dx) / (root * total)
    u, v = u.clamp(-3, 3), v.clamp(-3, 3)
    span = torch.sqrt(((xx + yy) / 2) ** 2 - root**2 + least**2)
    long, short = torch.sqrt((xx + yy) / 2 + span), torch.sqrt(((xx + yy) / 2 - span).clamp(min=least / 4))
    own = torch.sqrt(root[:, :1])
    away = torch.sqrt((cx - cx[:, :1]) ** 2 + (cy - cy[:, :1]) ** 2 + 1e-6) / own
    out = u * u + v * v
    figures = [torch.log(mass) / 3, long / own, short / own, away, *_orders(u, v, out, mean)]
    return torch.cat(figures, dim=3).squeeze(2)


def _orders(u: Tensor, v: Tensor, out: Tensor, mean: Callable[[Tensor], Tensor]) -> list[Tensor]:
    """Moments of the levelled coordinates."""
    re2, im2 = u * u - v * v, 2 * u * v
    re3, im3 = re2 * u - im2 * v, re2 * v + im2 * u
    re4, im4 = re2 * re2 - im2 * im2, 2 * re2 * im2
    re5, im5 = re4 * u - im4 * v, re4 * v + im4 * u
    re6, im6 = re3 * re3 - im3 * im3, 2 * re3 * im3

    def strength(re: Tensor, im: Tensor) -> Tensor:
        return torch.sqrt(mean(re) ** 2 + mean(im) ** 2 + 1e-6)

    around = [strength(re, im) for re, im in ((re3, im3), (re4, im4), (re5, im5), (re6, im6))]
    return [mean(out * out) / 4, mean(out * out * out) / 16, strength(out * u, out * v), *around]
