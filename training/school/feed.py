"""Batches without end: drawn from the sets by their shares, scaled to the network's size, changed by chance."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from typing import TypeVar

import torch
from torch import Tensor
from torch.nn import functional as F

from wearvision_training import augment
from wearvision_training.losses import IGNORE, Targets
from wearvision_training.network import DEVIATION, MEAN, MEASURES, PART_NAMES, REGIONS
from wearvision_training.school.config import Config
from wearvision_training.school.material import Material

T = TypeVar("T")
AHEAD = 3
"""Batches that are fetched ahead from the host's memory."""
FINER = 1.25
"""How much larger than the network's input pictures may be when they are framed: enough for detail, without moiré."""
Pieces = list[tuple[Tensor, Tensor, Targets]]
Batch = tuple[Tensor, Targets, Tensor]


def batches(
    material: Material, photos: Tensor | None, config: Config, device: torch.device, *, count: int, seed: int
) -> Iterator[Batch]:
    """Pictures (B, 3, S, S) normalised, their labels, and regions (B, R, S/2, S/2) float, for ever.

    Args:
        material: The sets.
        photos: (N, S, S, 3) uint8 crops of photographs of other things, or None.
        config: Of the run.
        device: Where batches are to lie.
        count: Pictures a batch in this process.
        seed: Of order and change.
    """
    chance = torch.Generator(device=device).manual_seed(seed)
    strangers = round(config.photo_share * count) if photos is not None else 0
    pieces: Iterator[Pieces] = _pieces(material, count - strangers, device, seed)
    if any(one.images.device.type != device.type for one in material.sets):
        pieces = _ahead(pieces)
    for found in pieces:
        if photos is not None and strangers:
            found.append(_stranger_piece(photos, strangers, config.size, chance, device))
        images, cover, targets = _joined(found, config.size)
        images, cover = augment.change(images, cover, config.augment, chance, config.size)
        if device.type == "cuda" and config.channels_last:
            images = images.contiguous(memory_format=torch.channels_last)
        yield images, targets, cover


def scaled(images: Tensor, size: int) -> Tensor:
    """(B, 3, size, size) float, normalised, of (B, S, S, 3) uint8."""
    planes: Tensor = (images.permute(0, 3, 1, 2).float() - MEAN) / DEVIATION
    if planes.shape[-1] != size:
        planes = F.interpolate(planes, size=size, mode="bilinear", antialias=True)
    return planes


def _joined(pieces: Pieces, size: int) -> tuple[Tensor, Tensor, Targets]:
    """One batch of all pieces, somewhat larger than wanted where the sets are: framing scales it to its size."""
    largest = max(size, *(one.shape[1] for one, _, _ in pieces))
    side = min(largest, round(size * FINER / 4) * 4)
    images = torch.cat([scaled(one, side) for one, _, _ in pieces])
    cover = torch.cat([_scaled_cover(one, side // 2) for _, one, _ in pieces])
    return images, cover, Targets.joined([targets for _, _, targets in pieces])


def _scaled_cover(cover: Tensor, side: int) -> Tensor:
    planes = cover.float() / 255
    return F.interpolate(planes, size=side, mode="bilinear", antialias=True) if planes.shape[-1] != side else planes


def _pieces(material: Material, count: int, device: torch.device, seed: int) -> Iterator[Pieces]:
    """What each set gives to a batch; every set is gone through in a new order before it starts again."""
    chance = torch.Generator().manual_seed(seed + 1)
    shares = torch.tensor(material.shares)
    order = [torch.empty(0, dtype=torch.int64) for _ in material.sets]
    while True:
        wanted = torch.multinomial(shares, count, replacement=True, generator=chance).bincount(minlength=len(shares))
        found: Pieces = []
        for number, held in enumerate(material.sets):
            need = int(wanted[number])
            if not need:
                continue
            while len(order[number]) < need:
                order[number] = torch.cat([order[number], torch.randperm(len(held), generator=chance)])
            index, order[number] = order[number][:need], order[number][need:]
            index = index.to(held.images.device, non_blocking=True)
            found.append(
                (_moved(held.images[index], device), _moved(held.regions[index], device),
                 held.targets.at(index).to(device))
            )  # fmt: skip
        yield found


def _moved(tensor: Tensor, device: torch.device) -> Tensor:
    if tensor.device.type == device.type:
        return tensor
    # Pinning the batch, not the set: as quick to send, and a set of tens of gigabytes stays ordinary memory.
    return tensor.pin_memory().to(device, non_blocking=True)


def _stranger_piece(
    photos: Tensor, count: int, size: int, chance: torch.Generator, device: torch.device
) -> tuple[Tensor, Tensor, Targets]:
    index = torch.randint(0, len(photos), (count,), generator=chance, device=device).to(photos.device)
    empty = torch.zeros((count, len(REGIONS), size // 2, size // 2), dtype=torch.uint8, device=device)
    part = torch.full((count,), PART_NAMES.index("none"), device=device)
    ignored = torch.full((count,), IGNORE, device=device)
    targets = Targets(
        part=part,
        view=ignored,
        grade=ignored,
        value=torch.full((count, len(MEASURES)), float("nan"), device=device),
        channels=torch.ones((count, len(REGIONS)), device=device),
    )
    return _moved(photos[index], device), empty, targets


def _ahead(source: Iterator[T]) -> Iterator[T]:
    """The same, fetched by a thread of its own; it ends with the consumer."""
    waiting: queue.Queue[T | BaseException] = queue.Queue(AHEAD)
    over = threading.Event()

    def fetch() -> None:
        try:
            for item in source:
                while not over.is_set():
                    try:
                        waiting.put(item, timeout=0.5)
                        break
                    except queue.Full:
                        continue
                if over.is_set():
                    return
        except BaseException as error:  # handed on to the consumer, who raises it
            waiting.put(error)

    threading.Thread(target=fetch, daemon=True).start()
    try:
        while True:
            item = waiting.get()
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        over.set()
