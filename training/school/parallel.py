"""Several processes on one run, as ``torchrun`` starts them; one process alone needs none of it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import torch
from torch import distributed as dist
from torch import nn


@dataclass(frozen=True, slots=True)
class Crew:
    """The processes of a run.

    Attributes:
        rank: Number of this one. size: how many there are.
        device: Of this one.
    """

    rank: int
    size: int
    device: torch.device

    @property
    def leads(self) -> bool:
        """Whether this process keeps the mean, writes files and decides."""
        return self.rank == 0

    def wrap(self, network: nn.Module) -> nn.Module:
        """The network with gradients averaged over the processes."""
        if self.size == 1:
            return network
        from torch.nn.parallel import DistributedDataParallel

        devices = [self.device.index] if self.device.type == "cuda" else None
        return DistributedDataParallel(network, device_ids=devices)

    def agreed(self, *numbers: float) -> list[float]:
        """The leader's numbers, in every process."""
        if self.size == 1:
            return list(numbers)
        told = torch.tensor(numbers, dtype=torch.float64)
        dist.broadcast(told, 0)
        return [float(number) for number in told]

    def meet(self) -> None:
        """Waits for the others."""
        if self.size > 1:
            self.agreed(0.0)


@contextmanager
def crew(device: str) -> Iterator[Crew]:
    """The crew that the environment describes.

    Args:
        device: ``"auto"`` takes an accelerator if there is one.
    """
    rank, size, local = (int(os.environ.get(name, value)) for name, value in _NAMES)
    kind = ("cuda" if torch.cuda.is_available() else "cpu") if device == "auto" else device
    own = torch.device(f"cuda:{local}") if kind == "cuda" else torch.device(kind)
    if own.type == "cuda":
        torch.cuda.set_device(own)
    if size == 1:
        yield Crew(0, 1, own)
        return
    # Gloo beside NCCL: a few numbers a step are agreed on without waiting for the accelerator.
    dist.init_process_group("cpu:gloo,cuda:nccl" if own.type == "cuda" else "gloo")
    try:
        yield Crew(rank, size, own)
    finally:
        dist.destroy_process_group()


_NAMES = (("RANK", 0), ("WORLD_SIZE", 1), ("LOCAL_RANK", 0))
