"""The state of a run, so that the same command goes on where it was stopped."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import nn

from wearvision_training.school.average import Average
from wearvision_training.school.config import Config

NAME = "checkpoint.pt"
FREE = frozenset(
    {"time_limit", "leg", "device", "hold", "compiled", "channels_last", "threads", "checkpoint_s", "validate_every"}
)
"""Keys of a config that may differ when a run goes on: they change how it is done, not what is learned."""


@dataclass(frozen=True, slots=True)
class Reached:
    """How far a run had come: steps done and progress from 0 to 1."""

    step: int
    progress: float


def save(
    run: Path, reached: Reached, config: Config, network: nn.Module, average: Average, optimiser: torch.optim.Optimizer
) -> None:
    """Writes the checkpoint; a stop while it is written leaves the one before."""
    draft = run / (NAME + ".part")
    state = {
        "config": _binding(config),
        "step": reached.step,
        "progress": reached.progress,
        "network": network.state_dict(),
        "average": average.network.state_dict(),
        "optimiser": optimiser.state_dict(),
    }
    torch.save(state, draft)
    draft.replace(run / NAME)


def restore(
    run: Path,
    config: Config,
    network: nn.Module,
    average: Average,
    optimiser: torch.optim.Optimizer,
    device: torch.device,
) -> Reached:
    """Takes up the checkpoint of a run folder, if there is one.

    Raises:
        ValueError: it belongs to a run of another config.
    """
    path = run / NAME
    if not path.is_file():
        return Reached(0, 0.0)
    state = torch.load(path, map_location=device, weights_only=True)
    binding = _binding(config)
    other = [name for name in binding if state["config"].get(name) != binding[name]]
    if other:
        raise ValueError(f"{run} holds a stopped run with another {', '.join(other)}; give the same or another folder")
    network.load_state_dict(state["network"])
    average.network.load_state_dict(state["average"])
    optimiser.load_state_dict(state["optimiser"])
    return Reached(state["step"], state["progress"])


def _binding(config: Config) -> dict[str, Any]:
    return {name: value for name, value in config.plain().items() if name not in FREE}
