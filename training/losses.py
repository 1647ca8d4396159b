"""What the network is trained to do, as one loss."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES
from wearvision_training.network import LEVELS, MEASURES, PART_NAMES, REGIONS, VIEW_NAMES, Outputs

IGNORE = -100
WORN = 0.3
"""From this share of a measure's scale on a picture counts as worn: about where *serviceable* ends."""


LEAST = 3
"""A measure that fewer pictures of a batch show than this weighs less: one odd picture must not steer the step."""


def measure_scales() -> Tensor:
    """(M,) the unit in which each measure is trained: its worst limit, so that errors weigh alike in grades."""
    limits = load_limits()
    scales = []
    for key in MEASURES:
        part, measure = key.split(".")
        row = limits.row(part, measure)
        scales.append(row.replace_from or row.clean_from or 1.0)
    return torch.tensor(scales, dtype=torch.float32)


@dataclass(frozen=True, slots=True)
class Targets:
    """Labels of N pictures as tensors; ``value`` is in units of ``measure_scales`` and NaN where there is none."""

    part: Tensor
    view: Tensor
    grade: Tensor
    value: Tensor
    channels: Tensor

    @classmethod
    def of(cls, truths: list[dict[str, Any]]) -> Targets:
        """Tensors of labels in the form of ``dataset.truth_of``."""
        scales = measure_scales().numpy()
        value = np.full((len(truths), len(MEASURES)), np.nan, np.float32)
        for row, truth in enumerate(truths):
            for name, number in truth["measures"].items():
                column = MEASURES.index(f"{truth['part']}.{name}")
                value[row, column] = number / scales[column]
        return cls(
            part=torch.tensor([PART_NAMES.index(t["part"]) for t in truths]),
            view=torch.tensor([VIEW_NAMES.index(t["view"]) if t["view"] else IGNORE for t in truths]),
            grade=torch.tensor(
                [IGNORE if t["borderline"] or not t["grade"] else GRADES.index(t["grade"]) for t in truths]
            ),
            value=torch.from_numpy(value),
            channels=torch.tensor(np.stack([_channels(t["part"]) for t in truths])),
        )

    def at(self, index: Tensor) -> Targets:
        """The labels of some pictures."""
        return Targets(*(getattr(self, name)[index] for name in self.__slots__))

    @classmethod
    def joined(cls, pieces: Sequence[Targets]) -> Targets:
        """The labels of several groups of pictures, one after another."""
        return cls(*(torch.cat([getattr(one, name) for one in pieces]) for name in cls.__slots__))

    def to(self, device: torch.device) -> Targets:
        """The same on another device."""
        return Targets(*(getattr(self, name).to(device) for name in self.__slots__))


def _channels(part: str) -> np.ndarray:
    own = {"part", *(PARTS[part].regions if part in PARTS else REGIONS)}
    return np.array([name in own for name in REGIONS], np.float32)


def total_loss(out: Outputs, targets: Targets, regions: Tensor) -> tuple[Tensor, dict[str, Tensor]]:
    """The weighted sum and its pieces; nothing here waits for the device.

    Args:
        out: The network's raw outputs for B pictures.
        targets: Their labels.
        regions: (B, R, S/2, S/2) float, 0 to 1.
    """
    pieces = {
        **opinion_losses(out.part, out.view, out.grade, targets),
        "measures": head_loss(out.size, out.spread, out.presence, targets.value),
        "reach": reach_loss(out.reach, targets.value),
        "regions": 3.0 * region_loss(out.regions, regions, targets.channels),
    }
    return torch.stack(list(pieces.values())).sum(), {name: piece.detach() for name, piece in pieces.items()}


def opinion_losses(part: Tensor, view: Tensor, grade: Tensor, targets: Targets) -> dict[str, Tensor]:
    """Weighted cross-entropies of part, view and grade."""
    return {
        "part": F.cross_entropy(part, targets.part),
        "view": 0.3 * _cross_entropy(view, targets.view),
        "grade": 0.5 * _cross_entropy(grade, targets.grade),
    }


def _cross_entropy(logits: Tensor, target: Tensor) -> Tensor:
    return F.cross_entropy(logits, target, ignore_index=IGNORE, reduction="sum") / (target != IGNORE).sum().clamp(min=1)


def head_loss(size: Tensor, spread: Tensor, presence: Tensor, value: Tensor) -> Tensor:
    """Presence by cross-entropy, size over worn pictures, spread over all; every measure counts alike.

    Size is learned by its difference and by that of its logarithm: the one is what the standard's limits see, the
    other keeps small wear from being drowned by measures that reach ten times their limit.

    Args:
        size: (B, M) in units of each measure's scale.
        spread: (B, M), > 0, likewise.
        presence: (B, M) logits.
        value: (B, M) truth, NaN where there is none.
    """
    known = torch.isfinite(value)
    truth = torch.nan_to_num(value)
    worn = known & (truth > WORN)
    entropy = F.binary_cross_entropy_with_logits(presence, worn.float(), reduction="none")
    ratio = (torch.log(size + WORN) - torch.log(truth.clamp(min=0) + WORN)).abs()
    sized = 0.5 * F.smooth_l1_loss(size, truth, beta=0.1, reduction="none") + 0.5 * ratio
    estimate = (torch.sigmoid(presence) * size).detach()
    laplace = (estimate - truth).abs() / spread + torch.log(spread)
    return by_measure(entropy, known) + by_measure(sized, worn) + 0.3 * by_measure(laplace, known)


def reach_loss(reach: Tensor, value: Tensor) -> Tensor:
    """Cross-entropy of reaching each level, summed over the levels; every measure counts alike.

    Args:
        reach: (B, M, K) logits; with K 0 the loss is 0.
        value: (B, M) truth in units of each measure's scale, NaN where there is none.
    """
    if not reach.shape[2]:
        return reach.sum()
    known = torch.isfinite(value)
    levels = torch.tensor(LEVELS, device=value.device, dtype=value.dtype)
    reached = (torch.nan_to_num(value)[..., None] >= levels).to(reach.dtype)
    entropy = F.binary_cross_entropy_with_logits(reach, reached, reduction="none").mean(2)
    return 2.0 * by_measure(entropy, known)


def by_measure(loss: Tensor, counted: Tensor) -> Tensor:
    """Mean over measures of the mean over the pictures counted; few pictures count less than a full mean."""
    count = counted.sum(0)
    means = (loss * counted).sum(0) / count.clamp(min=LEAST)
    return means.sum() / (count > 0).sum().clamp(min=1)


def region_loss(logits: Tensor, target: Tensor, channels: Tensor) -> Tensor:
    """Cross-entropy on soft cover plus one minus the Dice overlap, over the channels that belong to the part."""
    entropy = F.binary_cross_entropy_with_logits(logits, target, reduction="none").mean((2, 3))
    seen = torch.sigmoid(logits)
    overlap = 2 * (seen * target).sum((2, 3)) + 1.0
    dice = 1 - overlap / ((seen + target).sum((2, 3)) + 1.0)
    present = (target.amax((2, 3)) > 0.25).float() * channels
    weighted = (entropy * channels).sum() / channels.sum().clamp(min=1.0)
    return 4.0 * weighted + (dice * present).sum() / present.sum().clamp(min=1.0)
