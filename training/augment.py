"""Random framing, light and wear of the file for a batch, on whatever device holds it.

torchvision's transforms draw one set of parameters for a whole batch and code JPEG on the processor only; these draw
their own for every picture and stay on the device.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

from wearvision_training.jpeg import jpeg
from wearvision_training.network import REGIONS

GUARDED = ("rim", "crack", "scorch", "rod", "bridge", "chip", "socket")
"""Regions in which a few cells tell the wear: nothing is erased over them."""
FACTORS = (0.6, 0.4, 0.8, 0.5, 0.7)
FILL = (0.58, 0.95)
"""Share of the side that a part takes in a close framing, as in the look that grading judges (``wearvision.look``)."""
HALF_SIDE = (0.4, 1.6)
"""Half side of a close framing, in half pictures: smaller ones would show grain, larger ones mostly nothing."""
LEAST_PART = 0.05
"""A part whose longer side is under this share of the picture's is not framed."""
_GUARDED = [REGIONS.index(name) for name in GUARDED]


@dataclass(frozen=True, slots=True)
class Strength:
    """How much pictures are changed. Of most a share of a batch is changed, the rest is left.

    Attributes:
        close: Share framed about the part as grading's closer look frames it; the rest keeps about the whole picture.
        light: Factor on the spread of exposure, contrast, cast and colour; 0 leaves them.
        shade: Share with light falling off to one side. grey: share that loses most colour.
        rescale: Share made smaller and enlarged again. jpeg: share coded as JPEG. erase: share with a patch pasted in.
        least_quality: Lowest quality of JPEG.
    """

    close: float = 0.0
    light: float = 1.0
    shade: float = 0.3
    grey: float = 0.1
    rescale: float = 0.3
    jpeg: float = 0.4
    erase: float = 0.1
    least_quality: float = 30.0


def change(
    pictures: Tensor, regions: Tensor, strength: Strength, generator: torch.Generator, size: int | None = None
) -> tuple[Tensor, Tensor]:
    """All of it, in the order in which it happens to a photo.

    Args:
        pictures: (B, 3, S, S) float, normalised to about -1 to 1.
        regions: (B, R, S/2, S/2) float, 0 to 1.
        strength: How much.
        generator: Source of chance, on the same device.
        size: Side of the pictures that are wanted; by default that of those given.
    """
    pictures, regions = frame(pictures, regions, generator, size, strength.close)
    pictures, regions = erase(pictures, regions, strength.erase, generator)
    pictures = shade(pictures, strength.shade, generator)
    pictures = light(pictures, generator, strength.light)
    pictures = grey(pictures, strength.grey, generator)
    pictures = rescale(pictures, strength.rescale, generator)
    chosen = _some(pictures, strength.jpeg, generator)
    if len(chosen):
        quality = _uniform(len(chosen), strength.least_quality, 95.0, generator)
        pictures[chosen] = jpeg((pictures[chosen] + 1) / 2, quality) * 2 - 1
    return pictures, regions


def _some(pictures: Tensor, share: float, generator: torch.Generator) -> Tensor:
    """Indices of a share of a batch; a fixed number, so that the device need not be waited for."""
    count = math.ceil(share * len(pictures) - 1e-9) if share > 0 else 0
    return torch.randperm(len(pictures), generator=generator, device=pictures.device)[:count]


def _uniform(count: int, low: float, high: float, generator: torch.Generator, channels: int = 1) -> Tensor:
    drawn = torch.rand((count, channels, 1, 1), generator=generator, device=generator.device)
    return drawn * (high - low) + low


def frame(
    pictures: Tensor, regions: Tensor, generator: torch.Generator, size: int | None = None, close: float = 0.0
) -> tuple[Tensor, Tensor]:
    """Turns by quarter turns and a little, mirrors, scales, shifts: pictures and regions alike.

    Outside the picture lies zero, as outside a photo that is not square. Of larger pictures a close framing keeps more
    detail, since each is sampled only once.

    Args:
        pictures: (B, 3, S, S) float, normalised.
        regions: (B, R, S/2, S/2) float, ``part`` the first.
        generator: Source of chance, on the same device.
        size: Side of the pictures that are wanted, S by default.
        close: Share of pictures framed about the part; of one without a part any square of it.
    """
    batch, device = len(pictures), pictures.device
    side = size or pictures.shape[-1]

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(batch, generator=generator, device=device) * (high - low) + low

    quarter = torch.randint(0, 4, (batch,), generator=generator, device=device) * (math.pi / 2)
    angle = quarter + uniform(-0.2, 0.2)
    zoom = torch.exp(uniform(math.log(0.85), math.log(1.35)))
    mirror = torch.where(uniform(0, 1) < 0.5, -1.0, 1.0)
    shift_x, shift_y = uniform(-0.08, 0.08), uniform(-0.08, 0.08)
    if close > 0:
        near, near_x, near_y = _about_part(regions[:, 0], generator)
        chosen = uniform(0, 1) < close
        zoom, shift_x, shift_y = (
            torch.where(chosen, one, other) for one, other in ((near, zoom), (near_x, shift_x), (near_y, shift_y))
        )
    cos, sin = torch.cos(angle) * zoom, torch.sin(angle) * zoom
    theta = torch.stack(
        [torch.stack([cos * mirror, -sin, shift_x], 1), torch.stack([sin * mirror, cos, shift_y], 1)], dim=1
    )
    moved = []
    for planes, length in ((pictures, side), (regions, side // 2)):
        grid = F.affine_grid(theta, [*planes.shape[:2], length, length], align_corners=False)
        moved.append(F.grid_sample(planes, grid.to(planes.dtype), padding_mode="zeros", align_corners=False))
    return moved[0], moved[1]


def _about_part(part: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor, Tensor]:
    """Half side and middle, x and y, of a square about each part, (B,) each; half a picture is 1.

    Where there is no part the square lies anywhere in the picture.

    Args:
        part: (B, H, W) float, cover by the part.
        generator: Source of chance, on the same device.
    """

    def uniform(low: float, high: float) -> Tensor:
        return torch.rand(len(part), generator=generator, device=part.device) * (high - low) + low

    line = torch.linspace(-1, 1, part.shape[-1], device=part.device)
    spans = []
    for along in (1, 2):
        there = (part > 0.5).any(along)
        low, high = torch.where(there, line, 1.0).amin(1), torch.where(there, line, -1.0).amax(1)
        spans.append(((high - low) / 2, (high + low) / 2))
    (wide, middle_x), (tall, middle_y) = spans
    extent = torch.maximum(wide, tall)
    found = extent > LEAST_PART
    fill = uniform(*FILL)
    half = torch.where(found, (extent / fill).clamp(*HALF_SIDE), uniform(HALF_SIDE[0], 1.0))
    room = torch.where(found, (1 - fill) * half, 1 - half)
    at_x, at_y = (torch.where(found, middle, 0.0) + uniform(-0.7, 0.7) * room for middle in (middle_x, middle_y))
    return half, at_x, at_y


def light(pictures: Tensor, generator: torch.Generator, strength: float = 1.0) -> Tensor:
    """Exposure, contrast, colour cast, saturation, hue, blur and noise, within what a usable photo has.

    Args:
        pictures: (B, 3, S, S) float, normalised to about -1 to 1.
        generator: Source of chance, on the same device.
        strength: Factor on exposure, contrast and colour.
    """
    batch = len(pictures)

    def about(reach: float, middle: float = 1.0, channels: int = 1) -> Tensor:
        return _uniform(batch, middle - reach * strength, middle + reach * strength, generator, channels)

    # Powers and factors on coded values are factors and powers on light: the whole picture alike, so no local veil.
    unit = ((pictures + 1) / 2).clamp(0, 1) ** torch.exp(about(0.22, 0.0))
    unit = unit * torch.exp(about(0.16, 0.0)) * about(0.09, channels=3)
    luma = unit.mean(1, keepdim=True)
    unit = luma + (unit - luma) * about(0.3)
    # A little of each channel leaks into the next: another sensor's colours.
    unit = unit + (unit.roll(1, 1) - unit) * about(0.05, 0.0) + (unit.roll(2, 1) - unit) * about(0.05, 0.0)
    blurred = F.avg_pool2d(F.pad(unit, (1, 1, 1, 1), mode="replicate"), 3, stride=1)
    unit = torch.lerp(unit, blurred, _uniform(batch, -0.5, 0.9, generator))
    noise = torch.randn(unit.shape, generator=generator, device=unit.device) * _uniform(batch, 0.0, 0.035, generator)
    return (unit + noise).clamp(0, 1) * 2 - 1


def shade(pictures: Tensor, share: float, generator: torch.Generator) -> Tensor:
    """Light that falls off smoothly to one side, to about half; a factor, so black stays black."""
    chosen = _some(pictures, share, generator)
    if not len(chosen):
        return pictures
    side, count = pictures.shape[-1], len(chosen)
    angle = _uniform(count, 0.0, 2 * math.pi, generator)
    line = torch.linspace(-1, 1, side, device=pictures.device)
    ramp = torch.cos(angle) * line + torch.sin(angle) * line[:, None]
    gain = torch.exp(ramp * _uniform(count, 0.0, 0.35, generator))
    shaded = pictures.clone()
    shaded[chosen] = (((pictures[chosen] + 1) / 2).clamp(min=0) * gain).clamp(0, 1) * 2 - 1
    return shaded


def grey(pictures: Tensor, share: float, generator: torch.Generator) -> Tensor:
    """A share loses most of its colour and takes on one cast."""
    chosen = _some(pictures, share, generator)
    if not len(chosen):
        return pictures
    unit = (pictures[chosen] + 1) / 2
    weights = torch.tensor([0.299, 0.587, 0.114], device=unit.device, dtype=unit.dtype).view(1, 3, 1, 1)
    luma = (unit * weights).sum(1, keepdim=True)
    pale = torch.lerp(unit, luma, _uniform(len(chosen), 0.6, 1.0, generator))
    out = pictures.clone()
    out[chosen] = (pale * _uniform(len(chosen), 0.88, 1.12, generator, 3)).clamp(0, 1) * 2 - 1
    return out


def rescale(pictures: Tensor, share: float, generator: torch.Generator) -> Tensor:
    """A share is made smaller by one of ``FACTORS`` and enlarged again, as messengers do."""
    chosen = _some(pictures, share, generator)
    side, out = pictures.shape[-1], pictures.clone()
    for factor, group in zip(FACTORS, chosen.tensor_split(len(FACTORS)), strict=True):
        if len(group):
            small = F.interpolate(pictures[group], size=round(side * factor), mode="bilinear", antialias=True)
            out[group] = F.interpolate(small, size=side, mode="bicubic", align_corners=False).clamp(-1, 1)
    return out


def erase(pictures: Tensor, regions: Tensor, share: float, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """A plain patch hides a little of a share of the pictures, and of their regions, but no thin wear.

    Where the patch would lie over a region of ``GUARDED`` none is pasted.

    Args:
        pictures: (B, 3, S, S) float, normalised.
        regions: (B, R, S/2, S/2) float, 0 to 1.
        share: Of the batch, before those left out over thin wear.
        generator: Source of chance, on the same device.
    """
    chosen = _some(pictures, share, generator)
    if not len(chosen):
        return pictures, regions
    count, side = len(chosen), regions.shape[-1]
    line = torch.linspace(-1, 1, side, device=pictures.device)
    row, column = (_uniform(count, -0.9, 0.9, generator) for _ in range(2))
    tall, wide = (_uniform(count, 0.05, 0.16, generator) for _ in range(2))
    inside = ((line - column).abs() < wide) & ((line[:, None] - row).abs() < tall)
    hit = (regions[chosen][:, _GUARDED].amax(1, keepdim=True) * inside).amax((2, 3), keepdim=True) > 0.02
    patch = (inside & ~hit).to(pictures.dtype)
    colour = _uniform(count, -1.0, 1.0, generator, 3)
    pictures, regions = pictures.clone(), regions.clone()
    large = F.interpolate(patch, size=pictures.shape[-1], mode="nearest")
    pictures[chosen] = torch.lerp(pictures[chosen], colour.expand(-1, -1, *large.shape[-2:]), large)
    regions[chosen] = regions[chosen] * (1 - patch)
    return pictures, regions
