"""What the network is trained to do, as one loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES
from wearvision_training.network import MEASURES, PART_NAMES, REGIONS, VIEW_NAMES, Outputs

IGNORE = -100
WORN = 0.3
"""From this share of a measure's scale on a picture counts as worn: about where *serviceable* ends."""


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

    def to(self, device: torch.device) -> Targets:
        """The same on another device."""
        return Targets(*(getattr(self, name).to(device) for name in self.__slots__))


def _channels(part: str) -> np.ndarray:
    own = {"part", *(PARTS[part].regions if part in PARTS else REGIONS)}
    return np.array([name in own for name in REGIONS], np.float32)


def total_loss(out: Outputs, targets: Targets, regions: Tensor) -> tuple[Tensor, dict[str, float]]:
    """The weighted sum and its pieces.

    Args:
        out: The network's raw outputs for B pictures.
        targets: Their labels.
        regions: (B, R, S/2, S/2) float, 0 to 1.
    """
    pieces = {
        "part": F.cross_entropy(out.part, targets.part),
        "view": 0.3 * _cross_entropy(out.view, targets.view),
        "grade": 0.5 * _cross_entropy(out.grade, targets.grade),
        "measures": head_loss(out.size, out.spread, out.presence, targets.value),
        "regions": 3.0 * _region_loss(out.regions, regions, targets.channels),
    }
    return torch.stack(list(pieces.values())).sum(), {name: float(piece.detach()) for name, piece in pieces.items()}


def _cross_entropy(logits: Tensor, target: Tensor) -> Tensor:
    known = target != IGNORE
    if not bool(known.any()):
        return logits.sum() * 0.0
    return F.cross_entropy(logits[known], target[known])


def head_loss(size: Tensor, spread: Tensor, presence: Tensor, value: Tensor) -> Tensor:
    """Presence by cross-entropy, size over worn pictures, spread over all.

    Args:
        size: (B, M) in units of each measure's scale.
        spread: (B, M), > 0, likewise.
        presence: (B, M) logits.
        value: (B, M) truth, NaN where there is none.
    """
    known = torch.isfinite(value)
    if not bool(known.any()):
        return size.sum() * 0.0  # means over nothing are NaN, and one such batch would spoil every weight
    truth = torch.nan_to_num(value)
    worn = known & (truth > WORN)
    entropy = F.binary_cross_entropy_with_logits(presence[known], worn[known].float())
    sized = F.smooth_l1_loss(size[worn], truth[worn], beta=0.2) if bool(worn.any()) else size.sum() * 0.0
    estimate = (torch.sigmoid(presence) * size).detach()
    error = (estimate[known] - truth[known]).abs()
    laplace = (error / spread[known] + torch.log(spread[known])).mean()
    return entropy + sized + 0.3 * laplace


def _region_loss(logits: Tensor, target: Tensor, channels: Tensor) -> Tensor:
    """Cross-entropy on soft cover plus one minus the Dice overlap, over the channels that belong to the part."""
    entropy = F.binary_cross_entropy_with_logits(logits, target, reduction="none").mean((2, 3))
    seen = torch.sigmoid(logits)
    overlap = 2 * (seen * target).sum((2, 3)) + 1.0
    dice = 1 - overlap / ((seen + target).sum((2, 3)) + 1.0)
    present = (target.amax((2, 3)) > 0.25).float() * channels
    weighted = (entropy * channels).sum() / channels.sum()
    return 4.0 * weighted + (dice * present).sum() / present.sum().clamp(min=1.0)
