"""A running mean of the network's weights, which judges better than the last weights do."""

from __future__ import annotations

import copy

import torch
from torch import nn


class Average:
    """Follows a network.

    Args:
        network: What is followed; a copy is kept.
        decay: Of the mean; smaller in the first steps, so that the random start is forgotten.
    """

    def __init__(self, network: nn.Module, decay: float) -> None:
        self.network = copy.deepcopy(network).eval().requires_grad_(False)
        self.decay = decay

    @torch.no_grad()
    def follow(self, network: nn.Module, step: int) -> None:
        """Takes in the weights after ``step`` steps (from 0)."""
        share = 1 - min(self.decay, (1 + step) / (10 + step))
        own, new = self.network.state_dict(), network.state_dict()
        mixed = [name for name, tensor in own.items() if tensor.is_floating_point()]
        torch._foreach_lerp_([own[name] for name in mixed], [new[name] for name in mixed], share)
        for name in own.keys() - set(mixed):
            own[name].copy_(new[name])
