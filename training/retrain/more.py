"""Fine-tunes the regions and the last of the backbone at a small rate, for a camera or designs that look new to it.

Normalisation keeps the base's statistics: batches are small. What is kept is a running mean of the weights.
"""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn

from wearvision_training.augment import Strength, change
from wearvision_training.losses import region_loss
from wearvision_training.network import Outputs, WearNetwork
from wearvision_training.retrain.censored import Heard, lesson_loss
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.school.average import Average
from wearvision_training.school.clock import rate_factor
from wearvision_training.school.feed import scaled

STRENGTH = Strength(erase=0.0)
SAVED_EVERY = 30.0
"""Seconds between checkpoints."""


@dataclass(frozen=True, slots=True)
class Squares:
    """N squares about parts, somewhat larger than the network's input, with what is known of them.

    Attributes:
        images: (N, S, S, 3) uint8.
        cover: (N, R, S/2, S/2) uint8, cover by each region times 255.
        known: (N, R) float, 1 for regions that are known, also where they are empty.
        lessons: Their labels.
        group: (N,) of the photo.
    """

    images: Tensor
    cover: Tensor
    known: Tensor
    lessons: Lessons
    group: Tensor

    def __len__(self) -> int:
        return len(self.images)

    def at(self, index: Tensor) -> Squares:
        """Some of them; ``index`` may be bool."""
        return Squares(
            self.images[index], self.cover[index], self.known[index], self.lessons.at(index), self.group[index]
        )

    @classmethod
    def joined(cls, *pieces: Squares) -> Squares:
        """Several of one size, one after another."""
        images, cover, known = (
            torch.cat([getattr(one, name) for one in pieces]) for name in ("images", "cover", "known")
        )
        lessons = Lessons.joined([one.lessons for one in pieces])
        return cls(images, cover, known, lessons, torch.cat([one.group for one in pieces]))

    def to(self, device: torch.device) -> Squares:
        """The same on another device."""
        images, cover, known, group = (one.to(device) for one in (self.images, self.cover, self.known, self.group))
        return Squares(images, cover, known, self.lessons.to(device), group)


@dataclass(frozen=True, slots=True)
class Tuning:
    """How it is tuned.

    Attributes:
        steps: Most steps; fewer where ``seconds`` are over before, 0 for no limit of time.
        batch: Squares a step. share: of them from the site.
        rate: Peak rate of regions and heads. deep: of the backbone, as a share of it.
        blocks: Last stages of the backbone that learn too.
        ema: Decay of the running mean. warm_up: share of the run in which the rate rises.
        size: Side of the network's input. seed: of all chance.
    """

    steps: int = 400
    seconds: float = 0.0
    batch: int = 32
    share: float = 0.5
    rate: float = 3e-4
    deep: float = 0.3
    blocks: int = 2
    ema: float = 0.99
    warm_up: float = 0.1
    size: int = 384
    seed: int = 1


def tune(
    network: WearNetwork,
    site: Squares,
    drawn: Squares,
    how: Tuning,
    device: torch.device,
    *,
    kept: Path,
    check: Callable[[int, int], None] = lambda done, of: None,
) -> WearNetwork:
    """A copy of a network whose regions, pooling, heads and last blocks have learned.

    Args:
        network: To begin with.
        site: The site's squares. drawn: drawn ones of the same size.
        how: See ``Tuning``.
        device: Where to work.
        kept: File of the checkpoint, from which the same call goes on.
        check: Called before each step with how many are done and how many there are; may raise, once a checkpoint
            is written.
    """
    learner = copy.deepcopy(network).to(device).eval()  # eval: no statistics of small batches
    if device.type == "cuda":
        learner = learner.to(memory_format=torch.channels_last)  # the layout its convolutions are fastest in
    optimiser = _optimiser(learner, how)
    average = Average(learner, how.ema)
    binding = {name: value for name, value in asdict(how).items() if name not in ("seconds", "steps")}
    step, done = _restore(kept, binding, learner, average, optimiser, device)
    saved = began = time.monotonic()

    def progress() -> float:
        by_time = done + (time.monotonic() - began) / how.seconds if how.seconds else 0.0
        return min(1.0, max(step / how.steps, by_time))

    while (far := progress()) < 1:
        try:
            check(round(far * how.steps), how.steps)
        except BaseException:
            _save(kept, binding, step, far, learner, average, optimiser)
            raise
        _step(learner, optimiser, site, drawn, how, step, far, device)
        average.follow(learner, step)
        step += 1
        if time.monotonic() - saved > SAVED_EVERY:
            _save(kept, binding, step, progress(), learner, average, optimiser)
            saved = time.monotonic()
    _save(kept, binding, step, 1.0, learner, average, optimiser)
    tuned = average.network.cpu()
    assert isinstance(tuned, WearNetwork)
    return tuned


@torch.no_grad()
def loss_of(network: WearNetwork, some: Squares, size: int, device: torch.device, batch: int = 32) -> float:
    """The loss of the heads on squares as they are; NaN for none."""
    if not len(some):
        return math.nan
    network = network.to(device)
    said = []
    for images in some.images.split(batch):
        out = network(scaled(images.to(device), size))
        said.append(_heads_of(out))
    heard = Heard(*(torch.cat(one).cpu() for one in zip(*said, strict=True)))
    network.cpu()
    return float(torch.stack(list(lesson_loss(heard, some.lessons).values())).sum())


def _heads_of(out: Outputs) -> tuple[Tensor, ...]:
    return tuple(getattr(out, name) for name in Heard._fields)


def _optimiser(network: WearNetwork, how: Tuning) -> torch.optim.Optimizer:
    network.requires_grad_(False)
    stages = list(network.backbone.blocks)  # type: ignore[arg-type]  # timm's own
    last = [parameter for block in stages[max(0, len(stages) - how.blocks) :] for parameter in block.parameters()]
    others = [
        parameter
        for name, module in network.named_children()
        if name != "backbone"
        for parameter in module.parameters()
    ]
    groups = [
        {"params": last, "lr": 0.0, "peak": how.rate * how.deep},
        {"params": others, "lr": 0.0, "peak": how.rate},
    ]
    for group in groups:
        for parameter in group["params"]:  # type: ignore[attr-defined]  # a list of parameters
            parameter.requires_grad_(True)
    return torch.optim.AdamW(groups, lr=how.rate, weight_decay=0.01)


def _step(
    network: WearNetwork,
    optimiser: torch.optim.Optimizer,
    site: Squares,
    drawn: Squares,
    how: Tuning,
    step: int,
    far: float,
    device: torch.device,
) -> None:
    """One step; its chance depends on the step's number alone, so that a run that was stopped does the same."""
    order = torch.Generator().manual_seed(how.seed * 1_000_003 + step)
    own = round(how.share * how.batch)
    batch = Squares.joined(
        site.at(torch.randint(len(site), (own,), generator=order)),
        drawn.at(torch.randint(len(drawn), (how.batch - own,), generator=order)),
    ).to(device)
    chance = torch.Generator(device=device).manual_seed(how.seed * 1_000_003 + step)
    pictures, cover = change(
        scaled(batch.images, batch.images.shape[1]), batch.cover.float() / 255, STRENGTH, chance, how.size
    )
    if device.type == "cuda":
        pictures = pictures.contiguous(memory_format=torch.channels_last)
    for group in optimiser.param_groups:
        group["lr"] = group["peak"] * rate_factor(far, how.warm_up)
    with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
        out = network(pictures)
    said = Heard(*(one.float() for one in _heads_of(out)))
    pieces = list(lesson_loss(said, batch.lessons).values())
    pieces.append(3.0 * region_loss(out.regions.float(), cover, batch.known))
    optimiser.zero_grad(set_to_none=True)
    torch.stack(pieces).sum().backward()
    nn.utils.clip_grad_norm_([one for group in optimiser.param_groups for one in group["params"]], 5.0)
    optimiser.step()


def _save(
    file: Path, binding: dict[str, Any], step: int, done: float, network: nn.Module, average: Average,
    optimiser: torch.optim.Optimizer,
) -> None:  # fmt: skip
    draft = file.with_name(file.name + ".part")
    state = {"how": binding, "step": step, "done": done, "network": network.state_dict()}
    torch.save(state | {"average": average.network.state_dict(), "optimiser": optimiser.state_dict()}, draft)
    draft.replace(file)


def _restore(
    file: Path, binding: dict[str, Any], network: nn.Module, average: Average, optimiser: torch.optim.Optimizer,
    device: torch.device,
) -> tuple[int, float]:  # fmt: skip
    """Takes up a checkpoint of the same kind of run; steps done and progress, or none."""
    if not file.is_file():
        return 0, 0.0
    state = torch.load(file, map_location=device, weights_only=True)
    if state["how"] != binding:
        return 0, 0.0
    network.load_state_dict(state["network"])
    average.network.load_state_dict(state["average"])
    optimiser.load_state_dict(state["optimiser"])
    return int(state["step"]), float(state["done"])
