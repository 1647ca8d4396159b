"""What a training learns, and when more than the heads is worth it."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch

from wearvision.network import ModelFolder
from wearvision.parts import region_names
from wearvision_training.dataset import PictureSet
from wearvision_training.network import WearNetwork
from wearvision_training.retrain import drawn, more, squares
from wearvision_training.retrain.config import Config
from wearvision_training.retrain.exporting import exported
from wearvision_training.retrain.glimpses import Glimpse
from wearvision_training.retrain.hands import Hands
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.material import Base, Seeing, Site, photo_of, rows_of
from wearvision_training.retrain.progress import Failed, Progress
from wearvision_training.retrain.refit import FOLDS, FORGOTTEN, Rows, Way, between, choose, teach
from wearvision_training.retrain.store import read_json, write_json
from wearvision_training.school.weights import input_size, load_weights, save_weights

VALIDATED = 4
"""One group in so many judges whether fine-tuning was worth it, and is not fine-tuned on."""
SHARES = (0.0, 0.5, 1.0)
"""How far from the taught heads to the tuned weights; 0 keeps the backbone as it was."""
PATIENCE = 480.0
"""Seconds of fine-tuning on a processor where nobody named a limit."""
REST = 240.0
"""Seconds kept of a limit for what comes after."""
LEAST_SECONDS = 60.0
PASSES = 24
"""Passes over the site's photos on an accelerator."""


class Learner:
    """Learns from a site's photos beside drawn pictures.

    Args:
        config: Of the training. site: its photos. base: the model to start from.
        hands: Who looks and cuts. progress: who is told.
        work: Folder in which what is learned is kept.
    """

    def __init__(self, config: Config, site: Site, base: Base, hands: Hands, progress: Progress, work: Path) -> None:
        self.config, self.site, self.base, self.hands, self.progress, self.work = (
            config, site, base, hands, progress, work,
        )  # fmt: skip
        self.began = time.monotonic()
        self.seeing = Seeing(base, config.kept, hands, progress, config.seed)
        self.device = self._device()

    def learn(self) -> tuple[WearNetwork, dict[str, Any]]:
        """The network that has learned, and how it did; from disk where an earlier start had come so far."""
        kept, told = self.work / "learned.safetensors", self.work / "learned.json"
        how = read_json(told)
        if how is not None and kept.is_file():
            return load_weights(kept), how
        plan = drawn.plan("train", self.config.replay_count, self.config.seed, regions=self.config.stage == "more")
        replay = drawn.draw(self.config.kept, plan, self.hands, self.progress)
        own, others, seen = self._rows(self.seeing, replay)
        network = load_weights(self.base.weights)
        way, how = choose(
            network, own, others, seed=self.config.seed, kept=self.work / "tried.json",
            check=lambda done, of: self.progress.step("heads", done, of, "choosing how to learn, by cross-validation"),
        )  # fmt: skip
        taught = self._teach(network, own, others, way)
        if self.config.stage == "more":
            taught, how["more"] = self._more(network, taught, way, own, others, seen, replay)
        save_weights(taught, kept, input_size(self.base.weights))
        write_json(told, how)
        return taught, how

    def _device(self) -> torch.device:
        if self.config.device == "auto":
            return torch.device("cuda" if torch.cuda.is_available() else "cpu")
        if self.config.device == "cuda" and not torch.cuda.is_available():
            raise Failed("No accelerator was found; choose the device cpu or auto.")
        return torch.device(self.config.device)

    def _rows(self, seeing: Seeing, replay: PictureSet | None) -> tuple[Rows, Rows | None, list[Glimpse]]:
        """What the heads learn from, as a network's unchanged part shows it: of the site, and drawn."""
        seen = seeing.photos(self.site.train, self.config.copies)
        lessons = Lessons.of_truths([item.truth for item in self.site.train], self.site.limits)
        own = rows_of(seen, lessons, [item.group for item in self.site.train])
        if replay is None:
            return own, None, seen
        plan = drawn.plan("train", self.config.replay_count, self.config.seed)
        pictures = seeing.drawn(replay, f"drawn-{plan.split}-{plan.count}-{plan.seed}")
        groups = [str(at) for at in range(len(replay))]
        return own, rows_of(pictures, Lessons.of_drawn(replay.truths), groups), seen

    def _teach(self, network: WearNetwork, own: Rows, others: Rows | None, way: Way) -> WearNetwork:
        taught = teach(
            network, own, others, way, check=lambda done, of: self.progress.step("heads", done, of, "learning")
        )
        self.progress.step("heads", 1, 1, f"learned: {way.share:.0%} of each step from the site, {way.epochs} passes")
        return taught

    def _more(
        self, base: WearNetwork, taught: WearNetwork, way: Way, own: Rows, others: Rows | None,
        seen: list[Glimpse], replay: PictureSet | None,
    ) -> tuple[WearNetwork, dict[str, Any]]:  # fmt: skip
        """Fine-tunes more than the heads, and keeps that only if groups left out of it are judged better."""
        groups = torch.unique(own.group)
        seconds = self._seconds()
        if replay is None or others is None or len(groups) < 2 * VALIDATED or seconds < 0:
            return taught, {"kept": False, "why": "too few groups, no drawn pictures, or no time left"}
        order = torch.from_numpy(np.random.default_rng(self.config.seed).permutation(len(groups)))
        out = torch.isin(own.group, groups[order[: len(groups) // VALIDATED]])
        # Begun from heads that have not seen the groups that judge, so that both sides are judged alike.
        start = teach(base, own.at(~out), others, way)
        site, pictures = self._squares(seen, replay)
        judging = torch.isin(site.group, torch.unique(own.group[out]))
        third = torch.arange(len(pictures)) % FOLDS == 0
        size = input_size(self.base.weights)
        how = more.Tuning(steps=self._steps(len(site)), seconds=seconds, size=size, seed=self.config.seed)
        tuned = more.tune(
            start, site.at(~judging), pictures.at(~third), how, self.device, kept=self.work / "tuning.pt",
            check=lambda done, of: self.progress.step("more", done, of, "fine-tuning regions and the last blocks"),
        )  # fmt: skip
        costs = self._costs(start, tuned, site.at(judging), pictures.at(third), size)
        share = min(costs, key=lambda one: (costs[one], one))
        told = {"kept": share > 0, "share": share, "costs": {str(one): round(cost, 5) for one, cost in costs.items()}}
        if not share:
            return taught, told
        return self._heads_upon(between(start, tuned, share), way, replay), told

    def _seconds(self) -> float:
        """Seconds for fine-tuning; 0 for no limit, less than 0 where there is no time for it."""
        if self.config.minutes is None:
            return 0.0 if self.device.type == "cuda" else PATIENCE
        left = self.config.minutes * 60 - (time.monotonic() - self.began) - REST
        return left if left > LEAST_SECONDS else -1.0

    def _steps(self, photos: int) -> int:
        how = more.Tuning()
        return max(100, math.ceil(PASSES * photos / (how.share * how.batch)))

    def _squares(self, seen: list[Glimpse], replay: PictureSet) -> tuple[more.Squares, more.Squares]:
        """What is fine-tuned on, at one size: the site's judged squares and the drawn pictures."""
        side, names = squares.side_for(input_size(self.base.weights)), set(region_names())
        tasks = [
            squares.Cut(photo_of(item), one.window, side, {k: m for k, m in item.masks.items() if k in names})
            for item, one in zip(self.site.train, seen, strict=True)
        ]
        found = []
        for one in self.hands.each(squares.cut, tasks):
            found.append(one)
            self.progress.step("more", len(found), len(tasks), "cutting out the site's parts")
        lessons = Lessons.of_truths([item.truth for item in self.site.train], self.site.limits)
        number: Mapping[str, int] = {
            group: at for at, group in enumerate(dict.fromkeys(item.group for item in self.site.train))
        }
        group = torch.tensor([number[item.group] for item in self.site.train])
        return squares.of_site(found, lessons, group), squares.of_drawn(replay, side)

    def _costs(
        self, start: WearNetwork, tuned: WearNetwork, site: more.Squares, pictures: more.Squares, size: int
    ) -> dict[float, float]:
        """Loss on groups left out, and what is forgotten of drawn pictures left out, for each share."""
        before = more.loss_of(start, pictures, size, self.device)
        costs = {}
        for at, share in enumerate(SHARES):
            self.progress.step("more", at, len(SHARES), "judging what was tuned")
            mixed = between(start, tuned, share)
            forgot = more.loss_of(mixed, pictures, size, self.device) - before
            costs[share] = more.loss_of(mixed, site, size, self.device) + FORGOTTEN * max(0.0, forgot)
        return costs

    def _heads_upon(self, network: WearNetwork, way: Way, replay: PictureSet) -> WearNetwork:
        """Teaches the heads again, from all groups, upon what was tuned."""
        folder = exported(network, self.work / "tuned", "tuned", self.site, self.seeing, self.progress)
        upon = Seeing(
            Base(folder, ModelFolder.open(folder)), self.config.kept, self.hands, self.progress, self.config.seed
        )
        own, others, _ = self._rows(upon, replay)
        return self._teach(network, own, others, way)
