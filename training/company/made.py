"""Makes the simulated company: photos, looks at them, and the drawn pictures that go with a retraining."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from wearvision.labels.splits import group_of, split_of
from wearvision.network import ModelFolder, square_crop
from wearvision.return_tag_cover import without_tags
from wearvision_training.company.photos import Photos, draw_photos
from wearvision_training.company.remembered import Again, look_with
from wearvision_training.dataset import PictureSet, build
from wearvision_training.families import Split
from wearvision_training.network import WearNetwork
from wearvision_training.retrain.drawn import plan
from wearvision_training.retrain.more import Squares
from wearvision_training.retrain.squares import of_drawn, side_for
from wearvision_training.school.weights import load_weights

CHECKS = 120
"""Drawn pictures of other designs on which intervals are checked, as in a retraining."""
Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Company:
    """All that a run needs, made once.

    Attributes:
        model: The base's folder. base: its network, on ``device``.
        photos: Of the company, as grading sees them.
        squares: (N, S, S, 3) uint8, of each photo in ``pool`` what a retraining learns from.
        drawn: Pictures of designs that the base knows, so that nothing is forgotten.
        checks: Drawn pictures of designs held out for calibration.
        device: Where networks learn and look. workers: processes that grade.
    """

    model: Path
    base: WearNetwork
    photos: Photos
    squares: torch.Tensor
    drawn: Squares
    checks: PictureSet
    device: torch.device
    workers: int

    @property
    def groups(self) -> list[str]:
        """The group of each photo."""
        return [group_of(machine, "") for machine in self.photos.machines]

    @property
    def pool(self) -> list[int]:
        """Photos that may be labelled to learn from."""
        return self.of_split("train")

    def of_split(self, split: str) -> list[int]:
        """Indices of the photos of a split."""
        return [at for at, machine in enumerate(self.photos.machines) if _split(machine) == split]

    def looked(self, network: WearNetwork, images: Sequence[Image]) -> Again:
        """Pictures as a network sees them, ready to be graded."""
        kept = look_with(network, images, input_side(self.model), self.device, self.workers)
        return Again(kept, self.model, workers=self.workers)


def input_side(model: Path) -> int:
    """Side of a model's input."""
    return int(ModelFolder.open(model).record["input"]["size"])


def open_company(folder: Path, model: Path, count: int, replay: int, device: torch.device, workers: int) -> Company:
    """The company; its pictures are taken from a folder, or drawn there.

    Args:
        folder: Where pictures are kept.
        model: The base's folder, with its weights.
        count: Photos of the company.
        replay: Drawn pictures of designs that the base knows.
        device: Where networks are to learn and look.
        workers: Processes.
    """
    cv2.setNumThreads(1)  # see ``look_with``
    taken = draw_photos(folder / "photos", count, workers=workers)
    known = _drawn(folder, "train", replay, workers)
    checks = _drawn(folder, "calibrate", CHECKS, workers)
    with ThreadPoolExecutor(workers) as pool:
        photos = Photos(list(pool.map(without_tags, taken.images)), taken.truths, taken.machines)
    base, size = load_weights(model / "weights.safetensors").to(device), input_side(model)
    side = side_for(size)
    own = [image for image, machine in zip(photos.images, photos.machines, strict=True) if _split(machine) == "train"]
    windows = look_with(base, own, size, device, workers).windows
    squares = np.stack([square_crop(*pair, side) for pair in zip(own, windows, strict=True)])
    drawn = of_drawn(known, side).to(device)
    return Company(model, base, photos, torch.from_numpy(squares).to(device), drawn, checks, device, workers)


def _split(machine: str) -> str:
    return split_of(group_of(machine, ""))


def _drawn(folder: Path, split: Split, count: int, workers: int) -> PictureSet:
    where = folder / f"drawn-{split}"
    wanted = plan(split, count, 1, regions=split == "train")
    if len(list(where.glob("*.jsonl"))) * wanted.shard < count:
        build(where, wanted, workers=workers, progress=False)
    return PictureSet.load(where)
