"""Crops of ordinary photographs: examples of what is no part, for training only."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError
from torch import Tensor

KINDS = frozenset({".jpg", ".jpeg", ".png", ".webp", ".bmp", ".tif", ".tiff"})
LONGEST = 1600
"""Photographs are brought to this many pixels a side first, so that crops show things and not grain."""
SMALLEST = 0.25
"""Side of the smallest crop over the photograph's shorter side."""


def crops(folder: Path, count: int, size: int, seed: int, threads: int = 8) -> Tensor:
    """(N, size, size, 3) uint8, square crops by chance, as many of each photograph as of any other, at most ``count``.

    Raises:
        ValueError: the folder holds no picture that can be read.
    """
    files = [file for file in sorted(folder.rglob("*")) if file.suffix.lower() in KINDS]
    share = -(-count // max(1, len(files)))
    with ThreadPoolExecutor(threads) as pool:
        found = pool.map(lambda task: list(_of(task[1], share, size, [seed, task[0]])), enumerate(files))
        every = [crop for some in found for crop in some]
    if not every:
        raise ValueError(f"{folder} holds no photograph that can be read")
    order = np.random.default_rng(seed).permutation(len(every))[:count]
    return torch.from_numpy(np.stack([every[index] for index in order]))


def _of(file: Path, count: int, size: int, seed: list[int]) -> Iterator[NDArray[np.uint8]]:
    rng = np.random.default_rng(seed)
    try:
        with Image.open(file) as opened:
            opened.draft("RGB", (LONGEST, LONGEST))
            photo = opened.convert("RGB")
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError):
        return  # folders of pictures hold broken links and odd files; the others serve
    photo.thumbnail((LONGEST, LONGEST))
    short = min(photo.size)
    if short < 64:
        return
    for _ in range(count):
        side = short * float(rng.uniform(SMALLEST, 1.0))
        left, top = (float(rng.uniform(0, length - side)) for length in photo.size)
        box = (left, top, left + side, top + side)
        yield np.asarray(photo.resize((size, size), Image.Resampling.BILINEAR, box=box, reducing_gap=2.0))
