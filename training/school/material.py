"""Sets in memory: shards read side by side straight into place, on the device where they fit."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from wearvision.parts import PARTS, region_names
from wearvision_training.dataset import _images
from wearvision_training.losses import Targets
from wearvision_training.school.config import Config, SetChoice

ROOM = 0.7
"""Share of a device's free memory that sets may take; the rest is for training itself."""


@dataclass(frozen=True, slots=True)
class Listing:
    """What a set holds, before a picture is read.

    Attributes:
        folder: Of the set.
        shards: Name of each shard and how many of its pictures count.
        truths: The labels, over all shards.
    """

    folder: Path
    shards: tuple[tuple[str, int], ...]
    truths: tuple[dict[str, Any], ...]

    @classmethod
    def of(cls, folder: Path, limit: int | None = None) -> Listing:
        """The set in a folder, or its first pictures.

        Raises:
            FileNotFoundError: the folder holds no finished shard.
        """
        shards: list[tuple[str, int]] = []
        truths: list[dict[str, Any]] = []
        for file in sorted(folder.glob("*.jsonl")):
            if limit is not None and len(truths) >= limit:
                break
            lines = file.read_text("utf-8").splitlines()[: None if limit is None else limit - len(truths)]
            truths += [json.loads(line)["truth"] for line in lines]
            shards.append((file.stem, len(lines)))
        if not shards:
            raise FileNotFoundError(f"{folder} holds no finished shard; draw a set first.")
        return cls(folder, tuple(shards), tuple(truths))


@dataclass(frozen=True, slots=True)
class Held:
    """Pictures in memory.

    Attributes:
        images: (N, S, S, 3) uint8.
        regions: (N, R, S/2, S/2) uint8, cover times 255; (N, 0, 0, 0) where none were read.
        targets: Their labels, on the same device.
    """

    images: Tensor
    regions: Tensor
    targets: Targets

    def __len__(self) -> int:
        return len(self.images)


def held_back_families(truths: Sequence[dict[str, Any]], share: float, seed: int) -> set[tuple[str, str]]:
    """Part and family of about a share of each part's families, at least one where a part has two or more."""
    chance, chosen = random.Random(seed), set()
    for part in (*PARTS, "none"):
        names = sorted({truth["family"] for truth in truths if truth["part"] == part})
        count = min(max(1, round(share * len(names))), len(names) - 1) if share > 0 and names else 0
        chosen |= {(part, name) for name in chance.sample(names, count)}
    return chosen


def read(listing: Listing, rows: NDArray[np.int64], device: torch.device, *, regions: bool, threads: int) -> Held:
    """Reads some pictures of a set onto a device.

    Args:
        listing: The set.
        rows: Indices into its pictures, ascending.
        device: Where they are to lie.
        regions: Read the regions too.
        threads: Shards read at once.

    Raises:
        ValueError: regions are wanted and the set was made without.
    """
    images = _planes(listing, "images", rows, device, threads)
    if regions:
        cover = _planes(listing, "regions", rows, device, threads)
        if cover.shape[1] != len(region_names()):
            raise ValueError(f"{listing.folder} has {cover.shape[1]} regions, not {len(region_names())}; draw it anew")
    else:
        cover = torch.empty((len(rows), 0, 0, 0), dtype=torch.uint8, device=device)
    targets = Targets.of([listing.truths[row] for row in rows]).to(device)
    return Held(images, cover, targets)


def _opened(folder: Path, name: str, kind: str) -> NDArray[np.uint8]:
    """A shard's pictures or regions; mapped, not read, where they are stored plainly."""
    file = folder / f"{name}.{kind}.npy"
    if file.is_file():
        mapped: NDArray[np.uint8] = np.load(file, mmap_mode="r")
        return mapped
    if kind == "images" and (folder / f"{name}.photos.npz").is_file():
        decoded: NDArray[np.uint8] = _images(folder, name)
        return decoded
    raise ValueError(f"{folder} holds no {kind} ({file.name}); draw it with them to train on it")


def _planes(listing: Listing, kind: str, rows: NDArray[np.int64], device: torch.device, threads: int) -> Tensor:
    names = [name for name, _ in listing.shards]
    shape = _opened(listing.folder, names[0], kind).shape[1:]
    whole = torch.empty((len(rows), *shape), dtype=torch.uint8, device=device)
    starts = np.cumsum([0, *(count for _, count in listing.shards)])
    places = np.searchsorted(rows, starts)

    def fetch(number: int) -> None:
        target = whole[places[number] : places[number + 1]]
        if not len(target):
            return
        wanted = rows[places[number] : places[number + 1]] - starts[number]
        shard = _opened(listing.folder, names[number], kind)
        if device.type == "cpu":
            np.take(shard, wanted, 0, out=target.numpy(), mode="clip")  # clip: no second copy; rows are in range
        else:
            target.copy_(torch.from_numpy(np.take(shard, wanted, 0)))

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fetch, range(len(names))))
    return whole


@dataclass(frozen=True, slots=True)
class Material:
    """All that a run learns from, in this process, and what it is watched on.

    Attributes:
        sets: Pictures of each set. shares: of a batch from each, summing to 1.
        watched: Pictures to look at now and then, in memory of the host; None for none.
        told: Plain counts for the run folder.
    """

    sets: tuple[Held, ...]
    shares: tuple[float, ...]
    watched: Held | None
    told: dict[str, Any]


def gather(config: Config, device: torch.device, rank: int = 0, world: int = 1) -> Material:
    """Reads this process's part of the sets, and on the first process what is watched.

    Raises:
        ValueError: no set is named, one has no regions, or one has too few pictures for the processes.
    """
    if not config.sets:
        raise ValueError("no set to learn from; name one with --set or in the config")
    listings = [Listing.of(Path(one.folder), one.limit) for one in config.sets]
    every = [truth for listing in listings for truth in listing.truths]
    back = set() if config.watch else held_back_families(every, config.held_back, config.seed)
    kept = [np.flatnonzero([not _is_back(t, back) for t in listing.truths]) for listing in listings]
    if min(map(len, kept)) < world:
        raise ValueError("a set holds fewer pictures than there are processes")
    where = _place(config, device, listings, sum(map(len, kept)) // world)
    own = [rows[rank::world] for rows in kept]
    sets = tuple(
        read(one, rows, where, regions=True, threads=config.threads) for one, rows in zip(listings, own, strict=True)
    )
    told = {
        "pictures": {str(one.folder): len(rows) for one, rows in zip(listings, kept, strict=True)},
        "held_back": sorted("/".join(pair) for pair in back),
        "held_in": str(where),
    }
    watched = _watched(config, listings, kept) if rank == 0 else None
    return Material(sets, _shares(config.sets, [len(rows) for rows in kept]), watched, told)


def _is_back(truth: dict[str, Any], back: set[tuple[str, str]]) -> bool:
    return (truth["part"], truth["family"]) in back


def _shares(sets: Sequence[SetChoice], counts: Sequence[int]) -> tuple[float, ...]:
    """Named shares as they are; what is left of 1 goes to the others by their size."""
    named = sum(one.share or 0.0 for one in sets)
    others = sum(count for one, count in zip(sets, counts, strict=True) if one.share is None)
    left = max(0.0, 1.0 - named) if others else 0.0
    raw = [one.share if one.share is not None else left * n / others for one, n in zip(sets, counts, strict=True)]
    if min(raw) < 0 or sum(raw) <= 0:
        raise ValueError(f"shares of sets must be positive, got {raw}")
    return tuple(share / sum(raw) for share in raw)


def _place(config: Config, device: torch.device, listings: Sequence[Listing], count: int) -> torch.device:
    """Where the sets lie: on the device if they fit there."""
    host = torch.device("cpu")
    if device.type == "cpu" or config.hold == "host":
        return host
    if config.hold == "device":
        return device
    first = listings[0]
    each = sum(_opened(first.folder, first.shards[0][0], kind)[0].nbytes for kind in ("images", "regions"))
    free, _ = torch.cuda.mem_get_info(device)
    return device if each * count < ROOM * free else host


def _watched(config: Config, listings: Sequence[Listing], kept: Sequence[NDArray[np.int64]]) -> Held | None:
    if config.watch:
        listing = Listing.of(Path(config.watch))
        rows = np.arange(len(listing.truths))
    elif config.held_back:
        # The set with the most of them: pictures of two sizes cannot be watched together.
        left = [np.setdiff1d(np.arange(len(one.truths)), rows) for one, rows in zip(listings, kept, strict=True)]
        most = int(np.argmax([len(rows) for rows in left]))
        listing, rows = listings[most], left[most]
    else:
        return None
    if len(rows) > config.watch_limit:
        rows = rows[np.linspace(0, len(rows) - 1, config.watch_limit).round().astype(np.int64)]
    return read(listing, rows, torch.device("cpu"), regions=False, threads=config.threads) if len(rows) else None
