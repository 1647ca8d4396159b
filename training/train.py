"""Trains the network: one loop, on a processor, on an accelerator, or on several of them under ``torchrun``."""

from __future__ import annotations

import json
import logging
import math
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import torch

from wearvision_training.losses import total_loss
from wearvision_training.network import WearNetwork
from wearvision_training.school import checkpoint, curves, photos
from wearvision_training.school.average import Average
from wearvision_training.school.checkpoint import Reached
from wearvision_training.school.clock import Clock, rate_factor
from wearvision_training.school.config import Config, SetChoice
from wearvision_training.school.feed import Batch, batches
from wearvision_training.school.material import Material, gather
from wearvision_training.school.parallel import Crew, crew
from wearvision_training.school.stopping import asked_to_stop
from wearvision_training.school.watch import watch
from wearvision_training.school.weights import load_weights, save_weights, started

__all__ = ["Config", "SetChoice", "load_weights", "train"]
LOG = logging.getLogger(__name__)
NOTED = 20
"""Steps between rows of ``losses.csv``."""
RESERVE = 0.03
"""Share of a time limit kept for the last look and for writing."""


def train(config: Config, run: Path, *, since: float | None = None, progress: bool = True) -> WearNetwork | None:
    """Trains, or goes on with a run that was stopped.

    The run folder gets ``config.json``, ``losses.csv``, ``validation.csv`` where pictures are watched, checkpoints
    while it goes on, and at its end ``weights.safetensors``, ``curves.png`` and ``run.json`` with what was done.

    Args:
        config: See ``Config``.
        run: A folder; made if it is not there.
        since: Reading of ``time.monotonic`` from which a time limit counts; from now on by default.
        progress: Show a bar.

    Returns:
        The network with averaged weights, in evaluation mode, on the device; None in processes that only help.

    Raises:
        FileExistsError: the folder holds a run that is finished.
        ValueError: sets, shares or a stopped run do not fit the config.
    """
    since = time.monotonic() if since is None else since
    if (run / "run.json").is_file() and json.loads((run / "run.json").read_text("utf-8"))["finished"]:
        raise FileExistsError(f"{run} holds a finished run; choose another folder")
    run.mkdir(parents=True, exist_ok=True)
    with crew(config.device) as own, asked_to_stop() as stop:
        return _Run(config, run, own, since).go(stop, progress=progress)


class _Run:
    """One start of a run in one process."""

    def __init__(self, config: Config, folder: Path, own: Crew, since: float) -> None:
        self.config, self.folder, self.crew = config, folder, own
        self.leg_ends = since + config.leg if config.leg else math.inf
        torch.manual_seed(config.seed)
        self.material: Material = gather(config, own.device, own.rank, own.size)
        self.network = started(config.start, config.decoder, config.heads).to(own.device)
        if own.device.type == "cuda" and config.channels_last:
            self.network = self.network.to(memory_format=torch.channels_last)
        self.average = Average(self.network, config.ema)
        self.optimiser = _optimiser(self.network, config)
        self.reached = checkpoint.restore(folder, config, self.network, self.average, self.optimiser, own.device)
        limit = config.time_limit * (1 - RESERVE)
        self.clock = Clock(config.steps, limit, self.reached.progress, since)
        wrapped = own.wrap(self.network)
        self.forward: Any = torch.compile(wrapped) if config.compiled else wrapped
        torch.manual_seed(config.seed + 1000 * own.rank + self.reached.step)  # of dropout

    def go(self, stop: threading.Event, *, progress: bool) -> WearNetwork | None:
        """Steps until the run is over or someone asks to stop."""
        from tqdm import tqdm

        if self.crew.leads:
            self._open()
        saved, begun, step = time.monotonic(), time.monotonic(), self.reached.step
        bar = tqdm(total=1000, desc="training", mininterval=5, disable=not (progress and self.crew.leads), unit="‰")
        for batch in self._batches():
            asked = stop.is_set() or time.monotonic() >= self.leg_ends
            far, halt = self.crew.agreed(self.clock.progress(step), float(asked))
            if far >= 1 or halt:
                break
            self._step(step, far, batch)
            step += 1
            bar.update(int(far * 1000) - bar.n)
            if not self.crew.leads:
                continue
            if self.config.validate_every and step % self.config.validate_every == 0:
                self._look(step)
            if time.monotonic() - saved > self.config.checkpoint_s:
                self._save(step)
                saved = time.monotonic()
        bar.close()
        return self._end(step, time.monotonic() - begun)

    def _batches(self) -> Iterator[Batch]:
        config, own = self.config, self.crew
        seed = config.seed + 7919 * own.rank + 104729 * self.reached.step
        others = None
        if config.photos and config.photo_share:
            others = photos.crops(Path(config.photos), config.photo_crops, config.size, seed, config.threads)
            others = others.to(own.device)
        count = max(2, config.batch // own.size)
        endless: Iterator[Batch] = batches(self.material, others, config, own.device, count=count, seed=seed)
        return endless

    def _open(self) -> None:
        told = {"config": self.config.plain(), "material": self.material.told, "processes": self.crew.size}
        (self.folder / "config.json").write_text(json.dumps(told, indent=1), "utf-8")
        self.losses = curves.Table(self.folder / "losses.csv", self.reached.step)
        self.validation = curves.Table(self.folder / "validation.csv", self.reached.step + 1)

    def _step(self, step: int, far: float, batch: Batch) -> None:
        pictures, targets, regions = batch
        factor = rate_factor(far, self.config.warm_up)
        for group in self.optimiser.param_groups:
            group["lr"] = group["peak"] * factor
        self.network.train()
        device = self.crew.device.type
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            out = self.forward(pictures)
        out = type(out)(*(piece.float() for piece in out))
        loss, pieces = total_loss(out, targets, regions)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), self.config.clip)
        self.optimiser.step()
        if not self.crew.leads:
            return
        self.average.follow(self.network, step)
        if step % NOTED == 0 or step == self.config.steps - 1:
            row = {"total": float(loss.detach()), **{name: float(piece) for name, piece in pieces.items()}}
            self.losses.add(step, {**row, "rate": factor * self.config.rate})

    def _look(self, step: int) -> dict[str, float]:
        if self.material.watched is None:
            return {}
        found: dict[str, float] = watch(self.average.network, self.material.watched, self.config.size, self.crew.device)
        self.validation.add(step, found)
        return found

    def _save(self, step: int) -> Reached:
        reached = Reached(step, self.clock.progress(step))
        checkpoint.save(self.folder, reached, self.config, self.network, self.average, self.optimiser)
        return reached

    def _end(self, step: int, seconds: float) -> WearNetwork | None:
        """Leaves weights either way; a run that was stopped keeps its checkpoint."""
        if not self.crew.leads:
            self.crew.meet()
            return None
        far = self.clock.progress(step)
        save_weights(self.average.network, self.folder / "weights.safetensors", self.config.size)
        if far < 1:
            self._save(step)
        steps = step - self.reached.step
        watched = self._look(step) if far >= 1 else {}
        told: dict[str, Any] = {
            "finished": far >= 1,
            "progress": round(far, 4),
            "steps": step,
            "seconds": round(seconds, 1),
            "pictures_per_second": round(steps * self.config.batch / max(seconds, 1e-9), 1),
            "watched": {name: number if math.isfinite(number) else None for name, number in watched.items()},
        }
        if far >= 1:
            (self.folder / checkpoint.NAME).unlink(missing_ok=True)
        if curves.plot(self.folder) is None:
            LOG.warning("no curves.png: matplotlib is not installed, or the leg ended before its first step")
        draft = self.folder / "run.json.part"  # whole or not at all: others watch for it
        draft.write_text(json.dumps(told, indent=1), "utf-8")
        draft.replace(self.folder / "run.json")
        self.crew.meet()
        return self.average.network


def _optimiser(network: WearNetwork, config: Config) -> torch.optim.Optimizer:
    backbone = list(network.backbone.parameters())
    known = {id(parameter) for parameter in backbone}
    fresh = [parameter for parameter in network.parameters() if id(parameter) not in known]
    groups = [
        {"params": backbone, "lr": 0.0, "peak": config.rate * config.backbone_rate},
        {"params": fresh, "lr": 0.0, "peak": config.rate},
    ]
    fused = next(network.parameters()).device.type == "cuda"
    return torch.optim.AdamW(groups, lr=config.rate, weight_decay=config.decay, fused=fused)
