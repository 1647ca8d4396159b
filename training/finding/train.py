"""Trains the finder with the school's own sets, batches and changes of light."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import torch
from torch import Tensor
from torch.nn import functional as F

from wearvision_training.augment import Strength
from wearvision_training.finding.framing import away, barred
from wearvision_training.finding.network import STRIDE, FinderNetwork, started_finder
from wearvision_training.network import PART_NAMES
from wearvision_training.school import photos
from wearvision_training.school.average import Average
from wearvision_training.school.clock import Clock, rate_factor
from wearvision_training.school.config import Config
from wearvision_training.school.feed import Batch, batches
from wearvision_training.school.material import gather
from wearvision_training.school.parallel import crew

WARM_UP = 0.05
CLOSE = 0.4
"""Share framed closely about the part before it may be moved away."""
WEIGHTS_FILE = "finder.safetensors"


def train_finder(config: Config, run: Path, *, progress: bool = True) -> FinderNetwork:
    """Trains in one process and writes ``finder.safetensors`` and ``finder.json`` into the run folder.

    Args:
        config: ``start`` must name weights of a grading network; of ``augment`` the share ``close`` is not used.
        run: A folder; made if it is not there.
        progress: Show a bar.

    Returns:
        The network with averaged weights, in evaluation mode, on the device.

    Raises:
        ValueError: sets or start do not fit.
    """
    from safetensors.torch import save_file
    from tqdm import tqdm

    begun = time.monotonic()
    run.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(config.seed)
    strength: Strength = replace(config.augment, close=CLOSE)
    config = replace(config, augment=strength)
    with crew(config.device) as own:
        device = own.device
        material = gather(config, device)
        others = None
        if config.photos and config.photo_share:
            crops = photos.crops(Path(config.photos), config.photo_crops, config.size, config.seed, config.threads)
            others = crops.to(device)
        network = started_finder(Path(config.start)).to(device)
        average = Average(network, config.ema)
        optimiser = torch.optim.AdamW(_groups(network, config), lr=config.rate, weight_decay=config.decay)
        clock = Clock(config.steps, config.time_limit, started=begun)
        chance = torch.Generator(device=device).manual_seed(config.seed)
        step, last = 0, 0.0
        bar = tqdm(total=1000, desc="finder", mininterval=5, disable=not progress, unit="‰")
        for batch in batches(material, others, config, device, count=config.batch, seed=config.seed):
            far = clock.progress(step)
            if far >= 1:
                break
            for group in optimiser.param_groups:
                group["lr"] = group["peak"] * rate_factor(far, WARM_UP)
            loss = _loss(network, batch, chance, device.type)
            optimiser.zero_grad(set_to_none=True)
            loss.backward()  # type: ignore[no-untyped-call]  # torch leaves it untyped
            torch.nn.utils.clip_grad_norm_(network.parameters(), config.clip)
            optimiser.step()
            average.follow(network, step)
            step += 1
            if int(far * 1000) > bar.n:
                last = float(loss.detach())
                bar.update(int(far * 1000) - bar.n)
        bar.close()
    trained: FinderNetwork = average.network  # type: ignore[assignment]  # a copy of the network that it follows
    weights = {name: tensor.cpu().contiguous() for name, tensor in trained.state_dict().items()}
    save_file(weights, run / WEIGHTS_FILE, {"format": "pt", "size": str(config.size)})
    seconds = time.monotonic() - begun
    told = {"steps": step, "seconds": round(seconds, 1), "pictures": step * config.batch, "last_loss": round(last, 4)}
    told |= {"config": config.plain(), "material": material.told}
    (run / "finder.json").write_text(json.dumps(told, indent=1), "utf-8")
    return trained


def _groups(network: FinderNetwork, config: Config) -> list[dict[str, object]]:
    backbone = list(network.backbone.parameters())
    known = {id(parameter) for parameter in backbone}
    fresh = [parameter for parameter in network.parameters() if id(parameter) not in known]
    return [
        {"params": backbone, "lr": 0.0, "peak": config.rate * config.backbone_rate},
        {"params": fresh, "lr": 0.0, "peak": config.rate},
    ]


def _loss(network: FinderNetwork, batch: Batch, chance: torch.Generator, device: str) -> Tensor:
    """Cross-entropy on soft cover plus one minus the Dice overlap where there is a part."""
    pictures, targets, regions = batch
    part = F.avg_pool2d(regions[:, :1].float(), STRIDE // 2)
    strangers = targets.part == PART_NAMES.index("none")
    pictures, part = away(pictures.contiguous(), part, strangers, chance)
    pictures, part = barred(pictures, part, chance)
    network.train()
    with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
        logits = network(pictures)
    logits = logits.float()
    entropy = F.binary_cross_entropy_with_logits(logits, part)
    seen = torch.sigmoid(logits)
    overlap = 2 * (seen * part).sum((1, 2, 3)) + 1.0
    dice = 1 - overlap / ((seen + part).sum((1, 2, 3)) + 1.0)
    present = (part.amax((1, 2, 3)) > 0.5).float()
    return 4.0 * entropy + (dice * present).sum() / present.sum().clamp(min=1.0)
