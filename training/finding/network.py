"""The finder: the first stages of the grading network's backbone and a narrow decoder for one region, the part."""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from wearvision_training.network import BACKBONE, DEVIATION, MEAN, separable

WIDTHS = (48, 32, 24)
"""Channels of the decoder at strides 16, 8 and 4."""
KEPT = 5
"""Stages of the backbone that are kept: up to stride 16."""
STRIDE = 4
"""Pixels of the picture to one of the map."""


class FinderNetwork(nn.Module):
    """Says where the part lies: (B, 3, S, S) normalised in, (B, 1, S/4, S/4) logits out.

    What a thing is shows in its surroundings, which stride 16 sees at this size; the backbone's last stages, which hold
    most of its weights, are left out.
    """

    def __init__(self) -> None:
        super().__init__()
        import timm

        self.backbone = timm.create_model(BACKBONE, pretrained=False, features_only=True, out_indices=(1, 2, 3))
        self.backbone.blocks = self.backbone.blocks[:KEPT]  # type: ignore[index,assignment]  # a Sequential
        c4, c8, c16 = self.backbone.feature_info.channels()  # type: ignore[union-attr,operator]  # timm's own
        w16, w8, w4 = WIDTHS
        self.deep = nn.Conv2d(c16, w16, 1)
        self.up8 = separable(w16 + c8, w8)
        self.reduce = nn.Conv2d(w8, w4, 1)
        self.up4 = separable(w4 + c4, w4)
        self.paint = nn.Conv2d(w4, 1, 1)

    def forward(self, pictures: Tensor) -> Tensor:
        """Args: pictures (B, 3, S, S), normalised; S a multiple of 32."""
        f4, f8, f16 = self.backbone(pictures)
        d8 = self.up8(torch.cat([_doubled(self.deep(f16)), f8], dim=1))
        d4 = self.up4(torch.cat([_doubled(self.reduce(d8)), f4], dim=1))
        found: Tensor = self.paint(d4)
        return found


def _doubled(features: Tensor) -> Tensor:
    return F.interpolate(features, scale_factor=2.0, mode="bilinear", align_corners=False)


def started_finder(start: Path) -> FinderNetwork:
    """A finder whose backbone is that of a grading network's ``weights.safetensors``.

    Raises:
        ValueError: the file lacks a tensor of the backbone.
    """
    from safetensors.torch import load_file

    network, given = FinderNetwork(), load_file(start)
    own = {name: given.get(name) for name in network.state_dict() if name.startswith("backbone.")}
    if lacking := [name for name, tensor in own.items() if tensor is None]:
        raise ValueError(f"{start} is no start for a finder: it lacks {lacking[0]} and {len(lacking) - 1} more")
    network.load_state_dict({name: tensor for name, tensor in own.items() if tensor is not None}, strict=False)
    return network


class DeployedFinder(nn.Module):
    """The finder as it is exported: (1, S, S, 3) uint8 RGB in, (1, 1, S/4, S/4) probability out."""

    def __init__(self, network: FinderNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, photo: Tensor) -> Tensor:
        """Args: photo (1, S, S, 3) uint8 RGB."""
        return torch.sigmoid(self.network((photo.permute(0, 3, 1, 2).float() - MEAN) / DEVIATION))
