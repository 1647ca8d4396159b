"""Everything a training run depends on, read from a TOML file and overridden by options."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Self, TypeVar

from wearvision_training.augment import Strength
from wearvision_training.network import DECODERS, HEADS

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class SetChoice:
    """A drawn or rendered set to learn from.

    Attributes:
        folder: Of the set.
        share: Share of a batch that comes from it; by default as large as the set is.
        limit: Only its first pictures.
    """

    folder: str
    share: float | None = None
    limit: int | None = None

    @classmethod
    def parse(cls, text: str) -> Self:
        """``FOLDER`` or ``FOLDER:SHARE``, as the option ``--set`` takes it."""
        folder, colon, share = text.rpartition(":")
        try:
            return cls(folder, float(share)) if colon else cls(text)
        except ValueError:
            return cls(text)


@dataclass(frozen=True, slots=True)
class Config:
    """One run; kept whole in the run folder.

    Attributes:
        sets: What to learn from.
        size: Side of the network's input in pixels, a multiple of 32; other sizes are scaled on the device.
        decoder: One of ``network.DECODERS``. heads: one of ``network.HEADS``.
        start: ``"imagenet"`` (of an installed package), ``"none"``, or a file: a start in PyTorch's format or
            weights of an earlier run.
        steps: Optimiser steps. batch: pictures a step over all processes.
        rate: Peak learning rate of the new layers. backbone_rate: that of the backbone, as a share of it.
        decay: Weight decay. warm_up: share of the run in which the rate rises. clip: largest norm of a gradient.
        ema: Decay of the running mean of the weights, which is what is kept.
        time_limit: Seconds over all its starts within which the run has annealed and ended; 0 for none.
        leg: Seconds after which a start stops with a checkpoint; 0 for none. The next start takes in what its sets
            have gained since.
        seed: Of initial weights, order and augmentation.
        device: ``"auto"``, ``"cpu"``, ``"cuda"``. hold: where sets lie, ``"auto"``, ``"device"`` or ``"host"``.
        compiled: Translate the network with ``torch.compile`` first: worth it for long runs.
        channels_last: Whether an accelerator keeps the channels of a pixel together; which is faster depends on it.
        threads: Readers of shards.
        checkpoint_s: Seconds between checkpoints. validate_every: steps between looks at watched pictures, 0 never.
        watch: Folder of a set to watch. held_back: where there is none, share of families that are watched
            instead of trained on. watch_limit: at most so many pictures.
        photos: Folder of ordinary photographs that show none of the parts. photo_share: their share of a batch.
        photo_crops: How many crops are kept.
        augment: How strongly pictures are changed.
    """

    sets: tuple[SetChoice, ...] = ()
    size: int = 320
    decoder: str = "full"
    heads: str = "shape"
    start: str = "imagenet"
    steps: int = 2000
    batch: int = 64
    rate: float = 2e-3
    backbone_rate: float = 0.33
    decay: float = 0.02
    warm_up: float = 0.08
    clip: float = 5.0
    ema: float = 0.998
    time_limit: float = 0.0
    leg: float = 0.0
    seed: int = 1
    device: str = "auto"
    hold: str = "auto"
    compiled: bool = False
    channels_last: bool = True
    threads: int = 8
    checkpoint_s: float = 120.0
    validate_every: int = 500
    watch: str = ""
    held_back: float = 0.0
    watch_limit: int = 1500
    photos: str = ""
    photo_share: float = 0.04
    photo_crops: int = 3000
    augment: Strength = field(default_factory=Strength)

    def __post_init__(self) -> None:
        if self.size < 64 or self.size % 32:
            raise ValueError(f"size must be a multiple of 32 from 64 on, got {self.size}")
        for name, allowed in (("decoder", DECODERS), ("heads", HEADS), ("hold", ("auto", "device", "host"))):
            if getattr(self, name) not in allowed:
                raise ValueError(f"{name} must be one of {', '.join(allowed)}, got {getattr(self, name)!r}")
        if self.steps < 1 or self.batch < 2:
            raise ValueError(f"a run needs a step and a batch of two, got steps {self.steps}, batch {self.batch}")
        if not 0 <= self.held_back < 1 or not 0 <= self.photo_share < 1:
            raise ValueError("held_back and photo_share are shares from 0 to under 1")

    @classmethod
    def read(cls, path: Path) -> Config:
        """The config of a TOML file; what it does not say keeps its default.

        Raises:
            ValueError: a key is unknown or a value has the wrong type.
        """
        return cls().changed(tomllib.loads(path.read_text("utf-8")))

    def changed(self, changes: Mapping[str, Any]) -> Config:
        """A copy with some values replaced; ``sets`` and ``augment`` in the form that TOML gives."""
        plain = dict(changes)
        if "sets" in plain:
            plain["sets"] = tuple(checked(SetChoice(""), dict(one)) for one in plain["sets"])
        if "augment" in plain:
            plain["augment"] = checked(self.augment, plain["augment"])
        return checked(self, plain)

    def plain(self) -> dict[str, Any]:
        """Plain JSON values; ``Config().changed`` of it gives this config again."""
        record = asdict(self)
        record["sets"] = [{k: v for k, v in one.items() if v is not None} for one in record["sets"]]
        return record


def checked(base: T, changes: Mapping[str, Any]) -> T:
    """``base`` with changes; whole numbers pass for decimal ones, anything else must have the default's type."""
    known = {one.name: one for one in fields(base)}  # type: ignore[arg-type]  # always one of this module's records
    if unknown := sorted(set(changes) - set(known)):
        raise ValueError(f"unknown key {', '.join(unknown)}; known are {', '.join(known)}")
    fitting = {}
    for name, value in changes.items():
        kept = getattr(base, name)
        if isinstance(kept, float) and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if kept is not None and type(kept) is not type(value):
            raise ValueError(f"{name} must be of type {type(kept).__name__}, got {value!r}")
        fitting[name] = value
    return replace(base, **fitting)  # type: ignore[type-var]  # as above
