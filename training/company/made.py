"""Makes the simulated company: photos, looks at them, and the drawn pictures that go with a retraining."""

from __future__ import annotations

from pathlib import Path

import torch

from wearvision_training.company.curve import Company, look_at_all
from wearvision_training.company.photos import draw_photos
from wearvision_training.company.remembered import keep
from wearvision_training.dataset import PictureSet, build
from wearvision_training.families import Split
from wearvision_training.retrain.drawn import plan
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.material import rows_of

CHECKS = 120
COPIES = 3
"""Changed copies of each photo that are learned from, as in a retraining."""


def open_company(folder: Path, model: Path, count: int, replay: int, device: torch.device, workers: int) -> Company:
    """The company, with all that can be kept taken from a folder.

    Args:
        folder: Where pictures and looks are kept.
        model: The base's folder.
        count: Photos of the company.
        replay: Drawn pictures of designs that the base knows.
        device: Where heads are to learn.
        workers: Processes.
    """
    photos = draw_photos(folder / "photos", count, workers=workers)
    known = _drawn(folder, "train", replay, workers)
    checks = _drawn(folder, "calibrate", CHECKS, workers)
    seen = look_at_all(model, photos.images, folder / "looks", COPIES, workers)
    drawn = look_at_all(model, list(known.images), folder / "looks-drawn", 0, workers)
    rows = rows_of(drawn, Lessons.of_drawn(known.truths), [str(at) for at in range(len(known))])
    kept = keep(model, [*photos.images, *checks.images], workers=workers)
    return Company(model, photos, kept, seen, rows, checks, device, workers)


def _drawn(folder: Path, split: Split, count: int, workers: int) -> PictureSet:
    where = folder / f"drawn-{split}"
    build(where, plan(split, count, 1), workers=workers, progress=False)
    return PictureSet.load(where)
