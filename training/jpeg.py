"""What JPEG does to pictures, for a batch on any device: colour transform, 8 by 8 cosine blocks, quantisation."""

from __future__ import annotations

import math
from functools import lru_cache

import torch
from torch import Tensor
from torch.nn import functional as F

# Quantisation tables K.1 and K.2 of ITU-T Recommendation T.81 (1992), annex K.
_LUMA = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
_CHROMA = (
    (17, 18, 24, 47, 99, 99, 99, 99),
    (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
    (99, 99, 99, 99, 99, 99, 99, 99),
)
# RGB to YCbCr of ITU-T Recommendation T.871 (2011).
_TO_YCC = ((0.299, 0.587, 0.114), (-0.168735892, -0.331264108, 0.5), (0.5, -0.418687589, -0.081312411))
_TO_RGB = ((1.0, 0.0, 1.402), (1.0, -0.344136286, -0.714136286), (1.0, 1.772, 0.0))


def jpeg(unit: Tensor, quality: Tensor) -> Tensor:
    """Codes and decodes pictures, colour at half resolution.

    Args:
        unit: (B, 3, S, S) float, 0 to 1; S a multiple of 16.
        quality: B values from 1 to 100, of any shape; the usual scale of coders.

    Returns:
        (B, 3, S, S), 0 to 1.
    """
    device = unit.device
    to_ycc, to_rgb = (torch.tensor(m, device=device, dtype=unit.dtype) for m in (_TO_YCC, _TO_RGB))
    planes = torch.einsum("ij,bjhw->bihw", to_ycc, (unit * 255).round())
    planes[:, 0] -= 128
    factor = _factor(quality.reshape(-1, 1, 1))
    luma = _through_blocks(planes[:, :1], _table(_LUMA, factor))
    chroma = _through_blocks(F.avg_pool2d(planes[:, 1:], 2), _table(_CHROMA, factor))
    chroma = F.interpolate(chroma, scale_factor=2.0, mode="bilinear", align_corners=False)
    rgb = torch.einsum("ij,bjhw->bihw", to_rgb, torch.cat([luma + 128, chroma], 1))
    return (rgb.round() / 255).clamp(0, 1)


def _factor(quality: Tensor) -> Tensor:
    """Factor on the tables in percent, as the common coders choose it (common practice, no published source)."""
    return torch.where(quality < 50, (5000 / quality).floor(), 200 - 2 * quality)


def _table(rows: tuple[tuple[int, ...], ...], factor: Tensor) -> Tensor:
    """(B, 8, 8) steps of quantisation."""
    base = torch.tensor(rows, device=factor.device, dtype=factor.dtype)
    return ((base * factor + 50) / 100).floor().clamp(1, 255)


@lru_cache(maxsize=4)
def _cosines(device: torch.device) -> Tensor:
    frequency, place = torch.arange(8.0)[:, None], torch.arange(8.0)
    matrix = torch.cos((2 * place + 1) * frequency * math.pi / 16) / 2
    matrix[0] /= math.sqrt(2)
    return matrix.to(device)


def _through_blocks(planes: Tensor, steps: Tensor) -> Tensor:
    """(B, C, H, W) with each block's cosine amplitudes rounded to whole steps, (B, 8, 8)."""
    batch, channels, height, width = planes.shape
    cosines = _cosines(planes.device).to(planes.dtype)
    blocks = planes.view(batch, channels, height // 8, 8, width // 8, 8).transpose(3, 4)
    divisor = steps[:, None, None, None]
    amplitudes = cosines @ blocks @ cosines.T
    blocks = cosines.T @ ((amplitudes / divisor).round() * divisor) @ cosines
    return blocks.transpose(3, 4).reshape(planes.shape)
