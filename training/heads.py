"""Trains the heads again on what the frozen rest of the network gives for the squares that grading really sees.

Each measure gets a *presence* (is it worn at all) and a *size* learned from worn pictures alone; their product is the
estimate, the spread is learned from its remaining error, and *reach* says how likely each level is passed. Backbone and
regions stay as they are, so that a new look is learned in minutes without an accelerator.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from wearvision.look import look
from wearvision.network import ModelFolder, Network
from wearvision_training.augment import Strength, change
from wearvision_training.dataset import PictureSet
from wearvision_training.losses import Targets, head_loss, opinion_losses, reach_loss
from wearvision_training.network import DEVIATION, MEAN, REGIONS, WearNetwork

STRENGTH = Strength(erase=0.0)
"""Variants keep all that the labels speak of."""


@dataclass(frozen=True, slots=True)
class HeadConfig:
    """How the heads are trained: passes over the set, pictures a step, learning rate, weight decay, seed.

    ``opinions``: whether part, view and grade are learned again too; a set with few things that are no part blunts what
    the network knew of them.
    """

    opinions: bool = False
    epochs: int = 60
    batch: int = 256
    rate: float = 1e-3
    decay: float = 0.05
    seed: int = 3


def with_levels(network: WearNetwork) -> WearNetwork:
    """The same network with a head for ``LEVELS``, untrained where it had none."""
    if network.levels:
        return network
    grown = WearNetwork(None, decoder=network.decoder, heads=network.heads, levels=True)
    grown.load_state_dict(network.state_dict(), strict=False)
    return grown.eval()


def pooled_features(model: Path, pictures: PictureSet, variants: int = 0, seed: int = 0) -> Tensor:
    """What the heads work on, for the square that grading would judge in each picture.

    Args:
        model: The exported network.
        pictures: N labelled pictures.
        variants: How many changed copies of each are looked at beside it.
        seed: Of the changes.

    Returns:
        (N * (1 + variants), D): all pictures as they are, then all changed once, and so on.
    """
    from tqdm import tqdm

    runtime = Network(ModelFolder.open(model))
    chance = torch.Generator().manual_seed(seed)
    found = []
    for number in range(1 + variants):
        for image in tqdm(pictures.images, total=len(pictures), desc=f"features {number}", mininterval=10):
            seen = changed(image, chance) if number else image
            found.append(runtime.features(look(runtime, seen).square))
    return torch.from_numpy(np.stack(found))


def changed(image: np.ndarray, chance: torch.Generator) -> np.ndarray:
    """One picture in other framing and light, as training changes its batches."""
    picture = (torch.from_numpy(np.ascontiguousarray(image)).permute(2, 0, 1)[None].float() - MEAN) / DEVIATION
    regions = torch.zeros(1, len(REGIONS), picture.shape[2] // 2, picture.shape[3] // 2)
    picture, _ = change(picture, regions, STRENGTH, chance)
    return (picture[0].permute(1, 2, 0) * DEVIATION + MEAN).clamp(0, 255).round().to(torch.uint8).numpy()


def train_heads(network: WearNetwork, features: Tensor, targets: Targets, config: HeadConfig) -> None:
    """Trains the heads in place.

    Args:
        network: Its other weights are not touched.
        features: (N, D), as ``pooled_features`` gives them.
        targets: Labels of the same pictures.
        config: See ``HeadConfig``.
    """
    torch.manual_seed(config.seed)
    own = [network.gauge, network.size, network.spread, network.presence, *([network.reach] if network.levels else [])]
    if config.opinions:
        own += [network.trunk, network.part, network.view, network.grade]
    heads = nn.ModuleList(own).train()
    steps = config.epochs * -(-len(features) // config.batch)
    optimiser = torch.optim.AdamW(heads.parameters(), lr=config.rate, weight_decay=config.decay)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, config.rate, steps)
    for _ in range(config.epochs):
        for index in torch.split(torch.randperm(len(features)), config.batch):
            hidden = F.dropout(features[index], 0.1)
            size, spread, presence, reach = network.measure_heads(hidden)
            told = targets.at(index)
            loss = head_loss(size, spread, presence, told.value) + reach_loss(reach, told.value)
            if config.opinions:
                opinion = network.trunk(hidden)
                told_apart = opinion_losses(
                    network.part(opinion), network.view(opinion), network.grade(opinion), told
                )
                loss = loss + torch.stack(list(told_apart.values())).sum()
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            optimiser.step()
            if schedule.last_epoch < steps - 1:
                schedule.step()
    heads.eval()
