"""What a release is made of, read from a TOML file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wearvision_training.dataset import Plan
from wearvision_training.families import Split
from wearvision_training.recipe import Engine
from wearvision_training.school.config import Config, checked
from wearvision_training.variants import VARIANTS


@dataclass(frozen=True, slots=True)
class SetPlan:
    """A set to make; see ``dataset.Plan`` for what has the same name there.

    Attributes:
        count: Pictures wished for. seconds: after which there are no more of them; 0 for no such limit.
        workers: Processes. nice: how readily they make way for others.
    """

    split: Split = "train"
    engine: Engine = "sketch"
    seed: int = 1
    count: int = 1000
    size: int = 320
    samples: int = 64
    photos: bool = False
    regions: bool = True
    shard: int = 10
    seconds: float = 0.0
    workers: int = 2
    nice: int = 0

    def __post_init__(self) -> None:
        for name, allowed in (("split", ("train", "calibrate", "test")), ("engine", ("sketch", "pathtrace"))):
            if getattr(self, name) not in allowed:
                raise ValueError(f"{name} must be one of {', '.join(allowed)}, got {getattr(self, name)!r}")
        if min(self.count, self.shard, self.workers) < 1:
            raise ValueError("a set needs a picture, a shard of one and a worker at least")
        if self.split == "train" and not self.regions:
            raise ValueError("a set to train on needs regions")

    def drawn(self) -> Plan:
        """What ``dataset.build`` makes of it."""
        return Plan(
            self.count, self.split, self.seed, self.size, self.regions, self.photos, self.engine, self.samples,
            self.shard,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class TrainPlan:
    """The final training.

    Attributes:
        config: File of the training config, beside the plan.
        seconds: Time of the training over all its starts, in which it anneals; 0 goes by the config's steps.
        leg: Seconds between looks for pictures that came since; 0 for none.
        shares: Share of a batch by set; those not named share the rest by their size.
        keys: What differs from the config.
    """

    config: str = "release.toml"
    seconds: float = 0.0
    leg: float = 0.0
    shares: dict[str, Any] = field(default_factory=dict)
    keys: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ComparePlan:
    """Short trainings on the same pictures, one device each.

    Attributes:
        pictures: How many each learns from, in equal numbers from its sets and always the first ones.
        seconds: Of each.
        keys: What differs from the final training in all of them.
        variants: Name to what differs in that one; ``sets`` there names the sets it learns from.
    """

    pictures: int = 1000
    seconds: float = 60.0
    keys: dict[str, Any] = field(default_factory=dict)
    variants: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ReleasePlan:
    """A release.

    Attributes:
        model: Id of the model.
        devices: ``"cpu"``, or the numbers of the accelerators: then sketches are drawn and photos graded beside the
            tracing and training that these do.
        workers: Processes that examine and grade.
        sets: To make, in this order. All of split train are learned from, the first of split calibrate calibrates, and
            there is a report on each of split test.
        watch: The set that trainings are watched on; by default the one that calibrates.
        train: The final training. compare: trainings to choose by.
        variants: Smaller model files to make and to compare.
        stress: Whether the test is repeated with worse photos.
        folder: Where the plan lies; the training config is looked for there.
    """

    model: str = "small"
    devices: tuple[str, ...] = ("cpu",)
    workers: int = 2
    sets: dict[str, SetPlan] = field(default_factory=dict)
    watch: str = ""
    train: TrainPlan = field(default_factory=TrainPlan)
    compare: ComparePlan = field(default_factory=ComparePlan)
    variants: tuple[str, ...] = ()
    stress: bool = False
    folder: Path = Path()

    def __post_init__(self) -> None:
        for split in ("train", "calibrate", "test"):
            if not self.of(split):
                raise ValueError(f"the plan has no set of split {split}")
        if self.watch and self.watch not in self.sets:
            raise ValueError(f"watch names no set: {self.watch!r}")
        if unknown := sorted(set(self.variants) - set(VARIANTS)):
            raise ValueError(f"unknown variant {', '.join(unknown)}; known are {', '.join(VARIANTS)}")
        if "cpu" in self.devices and len(self.devices) > 1:
            raise ValueError("devices are either cpu or the numbers of accelerators")
        for name, keys in {"train": {}, **self.compare.variants}.items():
            self._check_training(name, dict(keys))

    def of(self, split: str) -> list[str]:
        """Names of the sets of a split."""
        return [name for name, one in self.sets.items() if one.split == split]

    @property
    def on_processor(self) -> bool:
        """Whether there is no accelerator."""
        return self.devices == ("cpu",)

    @property
    def watched(self) -> str:
        """Name of the set that trainings are watched on."""
        return self.watch or self.of("calibrate")[0]

    @property
    def config(self) -> Path:
        """The training config."""
        return self.folder / self.train.config

    def _check_training(self, name: str, keys: dict[str, Any]) -> None:
        """Finds a mistake in a training's settings before hours of rendering, not after."""
        sets = keys.pop("sets", list(self.train.shares))
        if wrong := sorted(set(sets) - set(self.of("train"))):
            raise ValueError(f"{name} names no set to train on: {', '.join(wrong)}")
        both = self.train.keys if name == "train" else {**self.train.keys, **self.compare.keys}
        try:
            Config.read(self.config).changed(both).changed(keys)
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from error

    @classmethod
    def read(cls, path: Path) -> ReleasePlan:
        """The plan in a file.

        Raises:
            ValueError: a key is unknown, a value has the wrong type or does not fit the others.
            OSError: the file, or the training config that it names, cannot be read.
        """
        told: dict[str, Any] = tomllib.loads(path.read_text("utf-8"))
        made = dict(told)
        made["sets"] = {name: _named(name, SetPlan(), keys) for name, keys in told.get("sets", {}).items()}
        for name, usual in (("train", TrainPlan()), ("compare", ComparePlan())):
            made[name] = _named(name, usual, told.get(name, {}))
        for name in ("devices", "variants"):
            made[name] = tuple(told.get(name, ("cpu",) if name == "devices" else ()))
        if unknown := sorted(set(made) - set(cls.__dataclass_fields__)):
            raise ValueError(f"unknown key {', '.join(unknown)}")
        return cls(**made | {"folder": path.parent})


def _named(name: str, usual: Any, keys: Mapping[str, Any]) -> Any:
    try:
        return checked(usual, keys)
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from error
