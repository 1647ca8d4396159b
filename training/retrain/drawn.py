"""Pictures drawn for a training: what the base learned from, so that it is not forgotten, and designs it never saw."""

from __future__ import annotations

from pathlib import Path

from wearvision_training.dataset import PictureSet, Plan, make_shard, shard_tasks
from wearvision_training.families import Split
from wearvision_training.retrain.hands import Hands
from wearvision_training.retrain.progress import Progress

SHARD = 10
SIZES: dict[Split, int] = {"train": 384, "calibrate": 512, "test": 512}
"""Sides of the pictures: to learn from, as the released model's were; to judge, as a photo would be larger."""
SAID: dict[Split, str] = {
    "train": "drawing what the model already knows",
    "calibrate": "drawing other designs to check the intervals on",
    "test": "drawing held-out designs to compare on",
}


def plan(split: Split, count: int, seed: int, *, regions: bool = False) -> Plan:
    """What is drawn of a split; the seeds are apart from those of released sets."""
    number = 600_000 + 10 * seed + ("train", "calibrate", "test").index(split)
    return Plan(count, split, number, SIZES[split], regions=regions, photos=True, shard=SHARD)


def draw(cache: Path, wanted: Plan, hands: Hands, progress: Progress) -> PictureSet | None:
    """A drawn set, made where it is not there yet; None for no pictures.

    Raises:
        Stopped: a stop was asked for; shards that are done stay.
    """
    if not wanted.count:
        return None
    name = f"{wanted.split}-{wanted.count}-{wanted.seed}{'-regions' if wanted.regions else ''}"
    folder = cache / "drawn" / name
    tasks = shard_tasks(folder, wanted)
    progress.step("drawing", 0, wanted.count, SAID[wanted.split])
    for done, _ in enumerate(hands.each(make_shard, tasks), 1):
        progress.step("drawing", min(done * SHARD, wanted.count), wanted.count, SAID[wanted.split])
    return PictureSet.load(folder)
