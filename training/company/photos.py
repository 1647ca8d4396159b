"""Draws the simulated company's photos, in parallel and kept on disk, so that a stopped run goes on."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision_training.company.fleet import taken
from wearvision_training.dataset import truth_of
from wearvision_training.recipe import Recipe
from wearvision_training.studio import draw

SIDE = 448
SHARD = 25


@dataclass(frozen=True, slots=True)
class Photos:
    """The company's photos with their truth.

    Attributes:
        images: RGB, (S, S, 3) uint8.
        truths: As ``dataset.truth_of`` makes them.
        machines: What each part came from.
    """

    images: Sequence[NDArray[np.uint8]]
    truths: Sequence[dict[str, Any]]
    machines: Sequence[str]

    def __len__(self) -> int:
        return len(self.truths)


def draw_photos(folder: Path, count: int, *, seed: int = 7, workers: int) -> Photos:
    """The company's first photos; those already in the folder are kept.

    Args:
        folder: Of the photos, for this seed.
        count: How many.
        seed: Of parts, wear and scenes.
        workers: Processes.
    """
    folder.mkdir(parents=True, exist_ok=True)
    every = [(one.recipe.to_json(), one.machine) for one in taken(count, seed)]
    shards = [every[start : start + SHARD] for start in range(0, count, SHARD)]
    tasks = [(folder / f"{number:05d}-{len(shard)}.npz", shard) for number, shard in enumerate(shards)]
    if missing := [task for task in tasks if not task[0].is_file()]:
        with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
            list(pool.map(_shard, missing))
    images, truths = [], []
    for file, _ in tasks:
        with np.load(file) as held:
            images += list(held["images"])
            truths += json.loads(str(held["truths"]))
    return Photos(images, truths, [machine for _, machine in every])


def _shard(task: tuple[Path, list[tuple[str, str]]]) -> None:
    file, records = task
    cv2.setNumThreads(1)
    examples = [draw(Recipe.from_json(line), SIDE) for line, _ in records]
    draft = file.with_suffix(".part.npz")
    np.savez(draft, images=np.stack([e.image for e in examples]), truths=json.dumps([truth_of(e) for e in examples]))
    draft.replace(file)
