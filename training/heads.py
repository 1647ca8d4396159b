"""Trains the measure heads again on what the frozen rest of the network gives for the squares that grading really sees.

Training the whole network with a median loss lets a rare wear's estimate fall to zero. Here each measure gets a
*presence* (is it worn at all) and a *size* learned from worn pictures alone; their product is the estimate, and the
spread is learned from its remaining error. The backbone, the regions and the other heads stay as they are.
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
from wearvision_training.dataset import PictureSet
from wearvision_training.losses import Targets, head_loss, reach_loss
from wearvision_training.network import WearNetwork


@dataclass(frozen=True, slots=True)
class HeadConfig:
    """How the heads are trained: passes over the set, pictures a step, learning rate, weight decay, seed."""

    epochs: int = 60
    batch: int = 256
    rate: float = 1e-3
    decay: float = 0.05
    seed: int = 3


def pooled_features(model: Path, pictures: PictureSet) -> Tensor:
    """(N, D) what the heads work on, for the square that grading would judge in each picture.

    Args:
        model: The exported network.
        pictures: A labelled set.
    """
    from tqdm import tqdm

    runtime = Network(ModelFolder.open(model))
    squares = (look(runtime, image).square for image in pictures.images)
    found = [runtime.features(square) for square in tqdm(squares, total=len(pictures), desc="features", mininterval=10)]
    return torch.from_numpy(np.stack(found))


def train_heads(network: WearNetwork, features: Tensor, targets: Targets, config: HeadConfig) -> None:
    """Trains ``gauge`` and what works on it in place.

    Args:
        network: Its other weights are not touched.
        features: (N, D), as ``pooled_features`` gives them.
        targets: Labels of the same pictures.
        config: See ``HeadConfig``.
    """
    torch.manual_seed(config.seed)
    own = [network.gauge, network.size, network.spread, network.presence]
    heads = nn.ModuleList([*own, network.reach] if network.levels else own).train()
    steps = config.epochs * -(-len(features) // config.batch)
    optimiser = torch.optim.AdamW(heads.parameters(), lr=config.rate, weight_decay=config.decay)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, config.rate, steps)
    for _ in range(config.epochs):
        for index in torch.split(torch.randperm(len(features)), config.batch):
            hidden = F.dropout(features[index], 0.1)
            size, spread, presence, reach = network.measure_heads(hidden)
            value = targets.value[index]
            loss = head_loss(size, spread, presence, value) + reach_loss(reach, value)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            optimiser.step()
            if schedule.last_epoch < steps - 1:
                schedule.step()
    heads.eval()
