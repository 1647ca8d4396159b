"""Losses for labels that bound a measure without saying its value.

A grade says that haze lies between 0.10 and 0.40, not that it is 0.25. What is certain of such an interval is learned
(it is worn; this level is reached, that one is not), the rest is left open. For an interval without width each
loss is that of ``losses``, so that drawn pictures and site photos are one kind.
Source of the interval's likelihood: the term of an interval-censored observation, P(low <= X <= high), as in
survival analysis; of the worst mode's: the noisy-or, Pearl, Probabilistic Reasoning in Intelligent Systems (1988).
"""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor
from torch.nn import functional as F

from wearvision_training.losses import IGNORE, WORN, by_measure
from wearvision_training.network import LEVELS, WearNetwork
from wearvision_training.retrain.lessons import Lessons

EXACT = 1e-5
"""Width of an interval, in a measure's scale, up to which it counts as a value."""
SOFT = 0.1
"""Least spread, in a measure's scale, by which *inside* and *reached* are softened: an estimate that is sure and wrong
must still learn, and one that just touches the end of its bounds goes further in."""


class Heard(NamedTuple):
    """What the heads say of B pictures, as ``WearNetwork`` gives it: logits, and measures in their scales."""

    part: Tensor
    view: Tensor
    grade: Tensor
    size: Tensor
    spread: Tensor
    presence: Tensor
    reach: Tensor


def heard(network: WearNetwork, features: Tensor) -> Heard:
    """What a network's heads say of (B, D) features."""
    hidden = network.trunk(features)
    return Heard(network.part(hidden), network.view(hidden), network.grade(hidden), *network.measure_heads(features))


def lesson_loss(said: Heard, told: Lessons) -> dict[str, Tensor]:
    """The weighted pieces of the loss; their sum is what is learned.

    Args:
        said: By the heads, of B pictures.
        told: Their labels.
    """
    value = torch.sigmoid(said.presence) * said.size
    return {
        "part": _cross_entropy(said.part, told.part),
        "view": 0.3 * _cross_entropy(said.view, told.view),
        "grade": 0.5 * grade_loss(said.grade, told.accepted),
        "measures": measure_loss(said, value, told.low, told.high),
        "reach": reach_loss(said.reach, told.low, told.high),
        "worst": worst_loss(value, said.spread, said.reach, told.least),
    }


def _cross_entropy(logits: Tensor, target: Tensor) -> Tensor:
    count = (target != IGNORE).sum().clamp(min=1)
    return F.cross_entropy(logits, target, ignore_index=IGNORE, reduction="sum") / count


def grade_loss(logits: Tensor, accepted: Tensor) -> Tensor:
    """Minus the logarithm of the probability of all right answers together; pictures without one count nothing."""
    told = accepted.any(1)
    # A row without any would give minus infinity and a gradient of NaN; it is filled and then left out.
    open_rows = accepted | ~told[:, None]
    chance = torch.logsumexp(logits.masked_fill(~open_rows, -torch.inf), 1) - torch.logsumexp(logits, 1)
    return -(chance * told).sum() / told.sum().clamp(min=1)


def measure_loss(said: Heard, value: Tensor, low: Tensor, high: Tensor) -> Tensor:
    """Presence, size and spread as in ``losses.head_loss``; for intervals with width how unlikely they are.

    Args:
        said: By the heads.
        value: (B, M) the estimate, presence times size.
        low: (B, M) lower ends, NaN where nothing is known. high: (B, M) upper ends.
    """
    known = torch.isfinite(low)
    low, high = torch.nan_to_num(low), torch.nan_to_num(high)
    worn, whole = known & (low > WORN), known & (high <= WORN)
    entropy = F.binary_cross_entropy_with_logits(said.presence, worn.float(), reduction="none")
    ratio = (torch.log(said.size + WORN) - torch.log(low + WORN)).abs()
    sized = 0.5 * F.smooth_l1_loss(said.size, low, beta=0.1, reduction="none") + 0.5 * ratio
    wide = known & (high - low > EXACT)
    # Deeper inside than just over the end: ends lie in guard bands, on the other grade's side of its middle.
    scale = said.spread.detach().clamp(min=SOFT)
    size_unlikely, unlikely = (-log_inside(one, scale, low, high) for one in (said.size, value))
    spread_unlikely = -log_inside(value.detach(), said.spread, low, high)
    return (
        by_measure(entropy, worn | whole)
        + by_measure(torch.where(wide, 0.3 * size_unlikely, sized), worn)
        + 0.3 * by_measure(unlikely, wide)
        + 0.3 * by_measure(spread_unlikely, known)
    )


def log_inside(value: Tensor, spread: Tensor, low: Tensor, high: Tensor) -> Tensor:
    """Logarithm of a Laplace distribution's mass between two ends; of its density where they are one.

    An interval that begins at 0 has no lower end: less than nothing is nothing. The factor 2 of the density is left
    out, as in ``losses``.

    Args:
        value: Its median. spread: its scale, > 0.
        low: Lower ends. high: upper ends, >= low.
    """
    density = -(value - low).abs() / spread - torch.log(spread)
    width = (high - low).clamp(min=EXACT)
    # From the end that is nearer to the value: the other form loses all digits far out.
    outside = torch.maximum(low - value, value - high).clamp(min=0)
    open_below = low <= 0
    tail = torch.where(open_below & (value > high), torch.zeros_like(width), -torch.exp(-width / spread))
    far = -outside / spread - 0.6931 + torch.log1p(tail.clamp(min=-1 + 1e-6))
    under = torch.where(open_below, torch.zeros_like(low), 0.5 * torch.exp(-(value - low).clamp(min=0) / spread))
    near = torch.log((1 - under - 0.5 * torch.exp(-(high - value).clamp(min=0) / spread)).clamp(min=1e-6))
    mass = torch.where(outside > 0, far, near)
    return torch.where(high - low > EXACT, mass, density)


def reach_loss(reach: Tensor, low: Tensor, high: Tensor) -> Tensor:
    """Cross-entropy of reaching the levels that are certainly reached or certainly not; the others are left open.

    Args:
        reach: (B, M, K) logits; with K 0 the loss is 0.
        low: (B, M) lower ends, NaN where nothing is known. high: (B, M) upper ends.
    """
    if not reach.shape[2]:
        return reach.sum()
    levels = torch.tensor(LEVELS, device=low.device, dtype=low.dtype)
    known = torch.isfinite(low)
    reached = torch.nan_to_num(low)[..., None] >= levels
    missed = ~reached & (torch.nan_to_num(high)[..., None] <= levels)
    entropy = F.binary_cross_entropy_with_logits(reach, reached.to(reach.dtype), reduction="none")
    sure = reached | missed
    return 2.0 * by_measure((entropy * sure).sum(2) / len(LEVELS), known & sure.any(2))


def worst_loss(value: Tensor, spread: Tensor, reach: Tensor, least: Tensor) -> Tensor:
    """Minus the logarithm of the chance that one mode at least reaches its value: a noisy-or over the modes.

    Once for the estimates, each with its spread, and once for what ``reach`` says.

    Args:
        value: (B, M) the estimates. spread: (B, M) their scales.
        reach: (B, M, K) logits of reaching each level.
        least: (B, M) what one of them reaches at least, NaN for modes that are not meant.
    """
    meant = torch.isfinite(least)
    rows = meant.any(1)
    if not bool(rows.any()):
        return value.sum() * 0.0
    value, spread, least, meant = value[rows], spread[rows], torch.nan_to_num(least[rows]), meant[rows]
    scale = spread.detach().clamp(min=SOFT)
    apart = (value - least) / scale
    chances = [torch.where(apart < 0, 0.5 * torch.exp(-apart.abs()), 1 - 0.5 * torch.exp(-apart.abs()))]
    if reach.shape[2]:
        chances.append(_reached(torch.sigmoid(reach[rows]), least))
    losses = []
    for chance in chances:
        none = (torch.log1p(-chance.clamp(max=1 - 1e-6)) * meant).sum(1)
        losses.append(-torch.log(-torch.expm1(none.clamp(max=-1e-6))).mean())
    return torch.stack(losses).mean()


def _reached(reached: Tensor, at: Tensor) -> Tensor:
    """The chance of reaching a value, read off between two levels as ``Estimate.reaches`` does."""
    ends = reached.new_tensor((0.0, *LEVELS, 2 * LEVELS[-1]))
    full = torch.cat([torch.ones_like(reached[..., :1]), reached, torch.zeros_like(reached[..., :1])], dim=2)
    upper = torch.searchsorted(ends, at.contiguous()).clamp(1, len(ends) - 1)
    share = ((at - ends[upper - 1]) / (ends[upper] - ends[upper - 1])).clamp(0, 1)
    first, second = (full.gather(2, place[..., None])[..., 0] for place in (upper - 1, upper))
    return torch.lerp(first, second, share)
