"""Cuts the squares that the stage *more* learns from: of a site's photos with what was drawn on them, and drawn ones.

Works in worker processes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from wearvision.network import Window, square_crop
from wearvision.parts import region_names
from wearvision_training.dataset import PictureSet
from wearvision_training.losses import Targets
from wearvision_training.retrain.glimpses import read_picture
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.more import Squares
from wearvision_training.school.feed import FINER

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Cut:
    """A square to cut.

    Attributes:
        photo: Its file.
        window: Row, column and side of the square in the photo at working size.
        side: Of the result in pixels.
        masks: Region to bool mask of the upright photo, for those that were drawn.
    """

    photo: Path
    window: tuple[int, int, int]
    side: int
    masks: Mapping[str, NDArray[np.bool_]]


def cut(task: Cut) -> tuple[Bytes, dict[str, Bytes]]:
    """The square, (side, side, 3), and the cover of each region that was drawn, (side / 2, side / 2), times 255."""
    image = read_picture(task.photo)
    height, width = image.shape[:2]
    window = Window(*task.window)
    cover = {}
    for name, mask in task.masks.items():
        whole = cv2.resize(mask.astype(np.uint8) * 255, (width, height), interpolation=cv2.INTER_AREA)
        plane = square_crop(np.repeat(whole[..., None], 3, 2).astype(np.uint8), window, task.side // 2)[..., 0]
        outside = square_crop(np.zeros_like(image), window, task.side // 2)[..., 0] > 0
        cover[name] = np.where(outside, 0, plane).astype(np.uint8)
    return square_crop(image, window, task.side), cover


def side_for(size: int) -> int:
    """Side of squares for a network of an input size: somewhat larger, since framing scales them."""
    return round(size * FINER / 4) * 4


def of_site(found: Sequence[tuple[Bytes, Mapping[str, Bytes]]], lessons: Lessons, group: torch.Tensor) -> Squares:
    """Squares of a site's photos; regions that nobody drew are not known."""
    names, count = region_names(), len(found)
    half = found[0][0].shape[0] // 2
    cover, known = np.zeros((count, len(names), half, half), np.uint8), np.zeros((count, len(names)), np.float32)
    for row, (_, planes) in enumerate(found):
        for name, plane in planes.items():
            cover[row, names.index(name)], known[row, names.index(name)] = plane, 1.0
    images = np.stack([image for image, _ in found])
    return Squares(torch.from_numpy(images), torch.from_numpy(cover), torch.from_numpy(known), lessons, group)


def of_drawn(pictures: PictureSet, side: int) -> Squares:
    """Squares of drawn pictures with all their regions; each is a group of its own."""
    images = [cv2.resize(one, (side, side), interpolation=cv2.INTER_AREA) for one in pictures.images]
    planes = [
        np.stack([cv2.resize(plane, (side // 2, side // 2), interpolation=cv2.INTER_LINEAR) for plane in one])
        for one in pictures.regions
    ]
    return Squares(
        torch.from_numpy(np.stack(images).astype(np.uint8)),
        torch.from_numpy(np.stack(planes).astype(np.uint8)),
        Targets.of(list(pictures.truths)).channels,
        Lessons.of_drawn(pictures.truths),
        torch.arange(len(pictures)),
    )
