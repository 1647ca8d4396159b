"""Teaches the heads a site's photos beside drawn ones, and chooses how by cross-validation over training groups."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from wearvision_training.network import WearNetwork
from wearvision_training.retrain.censored import heard, lesson_loss
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.store import read_json, write_json
from wearvision_training.school.average import Average

HEADS = ("trunk", "part", "view", "grade", "gauge", "size", "spread", "presence", "reach")
FOLDS = 3
FORGOTTEN = 1.0
"""What a loss on drawn pictures that rises counts against a loss on the site's that falls."""


@dataclass(frozen=True, slots=True)
class Rows:
    """What the heads learn from or are tried on: N looks with their labels.

    Attributes:
        features: (N, D). lessons: of each look.
        group: (N,) of the photo; looks of one group stay together.
        plain: (N,) whether it is a photo as it is; else a changed copy.
    """

    features: Tensor
    lessons: Lessons
    group: Tensor
    plain: Tensor

    def __len__(self) -> int:
        return len(self.features)

    def at(self, index: Tensor) -> Rows:
        """Some of them; ``index`` may be bool."""
        return Rows(self.features[index], self.lessons.at(index), self.group[index], self.plain[index])

    @classmethod
    def joined(cls, pieces: Sequence[Rows]) -> Rows:
        """Several, one after another."""
        return cls(
            torch.cat([one.features for one in pieces]),
            Lessons.joined([one.lessons for one in pieces]),
            torch.cat([one.group for one in pieces]),
            torch.cat([one.plain for one in pieces]),
        )

    def to(self, device: torch.device) -> Rows:
        """The same on another device."""
        return Rows(self.features.to(device), self.lessons.to(device), self.group.to(device), self.plain.to(device))


@dataclass(frozen=True, slots=True)
class Way:
    """How heads are taught.

    Attributes:
        share: Of a batch that comes from the site, the rest from drawn pictures.
        epochs: Passes over the site's looks; 0 leaves the heads as they are.
        toward: How far from the base's heads to those that learned, 0 to 1.
        batch: Looks a step.
        rate: Learning rate after the first steps. decay: weight decay.
        ema: Decay of the running mean of the weights, which is what is kept.
        warm: Steps in which the rate rises.
        seed: Of order and dropout.
    """

    share: float = 0.5
    epochs: int = 25
    toward: float = 1.0
    batch: int = 128
    rate: float = 5e-4
    decay: float = 0.02
    ema: float = 0.98
    warm: int = 20
    seed: int = 1


SHARES = (0.35, 0.65)
EPOCHS = (3, 8, 20)
TOWARD = (0.5, 1.0)


def teach(
    network: WearNetwork,
    site: Rows,
    drawn: Rows | None,
    way: Way,
    *,
    look: Callable[[int, WearNetwork], None] = lambda epoch, network: None,
    check: Callable[[int, int], None] = lambda done, of: None,
) -> WearNetwork:
    """A copy of a network whose heads have learned; the rest of it is the same.

    Args:
        network: The base.
        site: Looks at the site's photos.
        drawn: Looks at drawn pictures, or None for none.
        way: See ``Way``.
        look: Called after each epoch with the network so far, in evaluation mode.
        check: Called before each epoch with its number and how many there are; may raise.
    """
    torch.manual_seed(way.seed)
    chance = torch.Generator().manual_seed(way.seed)
    taught, learner = copy.deepcopy(network).eval(), copy.deepcopy(network)
    if not way.epochs or not len(site):
        return taught
    heads = nn.ModuleDict({name: getattr(learner, name) for name in HEADS}).train()
    average = Average(heads, way.ema)  # of the heads alone: the rest never moves
    for name in HEADS:
        setattr(taught, name, average.network[name])  # type: ignore[index]  # a copy of the dictionary
    optimiser = torch.optim.AdamW(heads.parameters(), lr=way.rate, weight_decay=way.decay)
    own = max(1, min(len(site), round(way.share * way.batch)))
    others = 0 if drawn is None else way.batch - own
    step = 0
    for epoch in range(way.epochs):
        check(epoch, way.epochs)
        for index in torch.split(torch.randperm(len(site), generator=chance), own):
            batch = site.at(index)
            if drawn is not None and others:
                batch = Rows.joined([batch, drawn.at(torch.randint(len(drawn), (others,), generator=chance))])
            optimiser.param_groups[0]["lr"] = way.rate * min(1.0, (step + 1) / way.warm)
            said = heard(learner, F.dropout(batch.features, 0.1))
            loss = torch.stack(list(lesson_loss(said, batch.lessons).values())).sum()
            optimiser.zero_grad(set_to_none=True)
            loss.backward()
            nn.utils.clip_grad_norm_(heads.parameters(), 5.0)
            optimiser.step()
            average.follow(heads, step)
            step += 1
        look(epoch + 1, taught)
    return taught if way.toward == 1 else between(network, taught, way.toward)


def between(start: WearNetwork, tuned: WearNetwork, share: float) -> WearNetwork:
    """The weights ``share`` of the way from one network to the other: less fitted to the site, and less forgotten.

    Source: Wortsman and others, "Robust fine-tuning of zero-shot models" (2022).
    """
    mixed = copy.deepcopy(start)
    ends = tuned.state_dict()
    with torch.no_grad():
        for name, tensor in mixed.state_dict().items():
            if tensor.is_floating_point():
                tensor.lerp_(ends[name].to(tensor.device), share)
    return mixed.eval()


@torch.no_grad()
def loss_on(network: WearNetwork, rows: Rows) -> float:
    """The loss of a network's heads on looks, of which changed copies are left out; NaN for none."""
    plain = rows.at(rows.plain)
    if not len(plain):
        return math.nan
    pieces = lesson_loss(heard(network, plain.features), plain.lessons)
    return float(torch.stack(list(pieces.values())).sum())


def choose(
    network: WearNetwork,
    site: Rows,
    drawn: Rows | None,
    *,
    seed: int,
    kept: Path | None = None,
    shares: Sequence[float] = SHARES,
    epochs: Sequence[int] = EPOCHS,
    check: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[Way, dict[str, Any]]:
    """The way that does best on groups it has not learned from.

    Groups are divided into folds; a third of the drawn pictures is left out of each fold too, and what the loss on
    those rises counts against a way: a model that forgets is no better.

    Args:
        network: The base.
        site: Looks at photos of the training split. drawn: at drawn pictures, or None.
        seed: Of folds and training.
        kept: File in which each fold's losses are kept, so that a stop loses one fold at most; None for none.
        shares: Tried. epochs: tried, all in one training of the longest.
        check: Called before each epoch with how many are done and how many there are; may raise.

    Returns:
        The way, and what was found: folds, loss of each way and of the base. With fewer groups than folds nothing
        is tried, and the middle way is taken.
    """
    middle = Way(share=shares[len(shares) // 2], epochs=sorted(epochs)[len(epochs) // 2], seed=seed)
    groups = torch.unique(site.group).tolist()
    if len(groups) < FOLDS:
        return middle, {"folds": 0, "why": f"{len(groups)} groups are too few to choose by", "way": asdict(middle)}
    places = np.random.default_rng(seed).permutation(len(groups)) % FOLDS
    fold_of = dict(zip(groups, places.tolist(), strict=True))
    fold = torch.tensor([fold_of[int(group)] for group in site.group.tolist()])
    done: dict[str, Any] = (read_json(kept) if kept else None) or {}
    rounds = FOLDS * len(shares) * max(epochs)
    for number in range(FOLDS):
        for at, share in enumerate(shares):
            key = f"{number}/{share}"
            if key in done:
                continue
            before = (number * len(shares) + at) * max(epochs)
            way = replace(middle, share=share, epochs=max(epochs))
            done[key] = _tried(
                network, site, fold == number, drawn, number, way, epochs,
                lambda epoch, _, before=before: check(before + epoch, rounds),  # type: ignore[misc]  # bound early
            )  # fmt: skip
            if kept:
                write_json(kept, done)
    return _best(done, middle, shares, epochs)


def _tried(
    network: WearNetwork,
    site: Rows,
    out: Tensor,
    drawn: Rows | None,
    number: int,
    way: Way,
    epochs: Sequence[int],
    check: Callable[[int, int], None],
) -> dict[str, float]:
    """The cost of one fold after each number of epochs and each way toward them; ``"0"`` is the base."""
    left_in, left_out, learned = site.at(~out), site.at(out), drawn
    watched: Rows | None = None
    if drawn is not None:
        third = torch.arange(len(drawn)) % FOLDS == number
        learned, watched = drawn.at(~third), drawn.at(third)
    start = loss_on(network, watched) if watched is not None else 0.0
    found = {"0": loss_on(network, left_out)}

    def look(epoch: int, learner: WearNetwork) -> None:
        for toward in TOWARD if epoch in epochs else ():
            mixed = between(network, learner, toward)
            forgot = loss_on(mixed, watched) - start if watched is not None else 0.0
            found[f"{epoch}/{toward}"] = loss_on(mixed, left_out) + FORGOTTEN * max(0.0, forgot)

    teach(network, left_in, learned, way, look=look, check=check)
    return found


def _best(
    done: Mapping[str, Mapping[str, float]], middle: Way, shares: Sequence[float], epochs: Sequence[int]
) -> tuple[Way, dict[str, Any]]:
    """The cheapest way over all folds; none at all where none is cheaper than the base."""

    def cost(share: float, key: str) -> float:
        return float(np.mean([done[f"{fold}/{share}"][key] for fold in range(FOLDS)]))

    base = cost(shares[0], "0")
    costs = {
        (share, count, toward): cost(share, f"{count}/{toward}")
        for share in shares
        for count in sorted(epochs)
        for toward in TOWARD
    }
    share, count, toward = min(costs, key=lambda one: costs[one])
    if costs[share, count, toward] >= base:
        share, count, toward = shares[0], 0, 1.0
    table = {f"share {a}, {b} epochs, toward {c}": round(value, 5) for (a, b, c), value in costs.items()}
    way = replace(middle, share=share, epochs=count, toward=toward)
    found = costs.get((share, count, toward), base)
    return way, {"folds": FOLDS, "base": round(base, 5), "ways": table, "way": asdict(way), "cost": round(found, 5)}
