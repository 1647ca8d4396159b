"""What a training learns from and is judged on: the site's photos, the base model, what was seen of each picture."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch

from wearvision.labels.folder import Labelled, read_folder
from wearvision.network import ModelFolder
from wearvision.parts import PARTS
from wearvision.standard import Limits, load_limits
from wearvision_training.dataset import PictureSet
from wearvision_training.retrain.config import Config
from wearvision_training.retrain.glimpses import Glimpse, Task, glimpses, see
from wearvision_training.retrain.hands import Hands
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.progress import Failed, Progress
from wearvision_training.retrain.refit import Rows
from wearvision_training.school.weights import load_weights


@dataclass(frozen=True, slots=True)
class Site:
    """A labelled folder as a training uses it.

    Attributes:
        name: Of the set. sha256: what its truths and photos hash to.
        train: Photos to learn from. calibrate: to fit intervals on. test: to compare on.
        limits: Under which grades are given.
    """

    name: str
    sha256: str
    train: tuple[Labelled, ...]
    calibrate: tuple[Labelled, ...]
    test: tuple[Labelled, ...]
    limits: Limits


@dataclass(frozen=True, slots=True)
class Base:
    """The model that a training starts from.

    Attributes:
        folder: With ``model.onnx``, ``model.json`` and ``weights.safetensors``.
        model: The same, read.
    """

    folder: Path
    model: ModelFolder

    @property
    def id(self) -> str:
        """Its id."""
        return str(self.model.record["id"])

    @property
    def weights(self) -> Path:
        """Its weights."""
        return self.folder / "weights.safetensors"


def read_site(config: Config) -> Site:
    """The labelled folder of a training.

    Raises:
        Failed: there is nothing in it to learn from.
        WearvisionError: it cannot be read.
    """
    limits = load_limits(config.limits)
    held = read_folder(config.folder, limits)
    train = held.of_split("train")
    if config.only is not None:
        train = tuple(item for item in train if item.sha256 in config.only)
    if not any(item.truth.part in PARTS and item.truth.fit for item in train):
        raise Failed(
            f"The set {held.name} has no photo of a part to learn from: label some, of machines whose photos "
            "belong to the training split."
        )
    told = [[item.sha256, item.split, item.group, item.truth.to_dict()] for item in held.items]
    sha256 = held.sha256 or hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()
    calibrate, test = held.of_split("calibrate"), held.of_split("test")
    return Site(held.name, sha256, train, calibrate, test, limits)


def open_base(source: Path | str) -> Base:
    """The base model with its weights.

    Raises:
        ModelError: there is no such model.
        Failed: it has no weights beside it, or they are of another network.
    """
    model = ModelFolder.open(source)
    base = Base(model.path.resolve(), model)
    if not base.weights.is_file():
        raise Failed(
            f"The model {base.id} lies in {base.folder} without weights.safetensors, which an installed package leaves "
            f"out: name as base its folder models/{base.id} from the source repository."
        )
    network = load_weights(base.weights)
    if not network.levels or "calibration" not in model.record:
        raise Failed(f"The model {base.id} is too old to be trained on: it tells no levels or has no calibration.")
    return base


def photo_of(item: Labelled) -> Path:
    """Where a photo of a folder lies.

    Raises:
        Failed: the set is not one on disk.
    """
    if isinstance(item.photo, bytes):
        raise Failed(f"The photo {item.sha256} does not lie in a folder.")
    return item.photo


class Seeing:
    """Looks at pictures with the base model, or finds what was seen of them.

    Args:
        base: The model. cache: where it is kept.
        hands: Who looks. progress: who is told.
        seed: Of changed copies.
    """

    def __init__(self, base: Base, cache: Path, hands: Hands, progress: Progress, seed: int) -> None:
        self._folder, self._hands, self._progress, self._seed = str(base.folder), hands, progress, seed
        finder = str(base.model.record.get("finder", {}).get("sha256", ""))
        self._kept = cache / "looks" / (base.model.sha256[:16] + finder[:8])
        self.base = base.folder
        self.size = int(base.model.record["input"]["size"])

    def photos(self, items: Sequence[Labelled], copies: int) -> list[Glimpse]:
        """What was seen of a site's photos."""
        tasks = [
            Task(self._folder, self._kept / f"{item.sha256}-{self._seed}.npz", photo_of(item), copies, self._seed)
            for item in items
        ]
        return self._seen(tasks, "looking at the site's photos")

    def drawn(self, pictures: PictureSet, name: str) -> list[Glimpse]:
        """What was seen of drawn pictures."""
        tasks = [
            Task(self._folder, self._kept / f"{name}-{number:05d}.npz", image, 0, self._seed)
            for number, image in enumerate(pictures.images)
        ]
        return self._seen(tasks, "looking at drawn pictures")

    def _seen(self, tasks: Sequence[Task], say: str) -> list[Glimpse]:
        self._progress.step("features", 0, len(tasks), say)
        for done, _ in enumerate(self._hands.each(see, tasks), 1):
            self._progress.step("features", done, len(tasks), say)
        return list(glimpses(tasks))


def rows_of(seen: Sequence[Glimpse], lessons: Lessons, groups: Sequence[str]) -> Rows:
    """Looks with their labels: of each picture the first look, that which a grade comes from, and its copies.

    A first look that is not the last teaches part and view alone, since grading takes no measure from it.

    Args:
        seen: Of N pictures.
        lessons: Their labels.
        groups: What each belongs to.
    """
    number = {group: at for at, group in enumerate(dict.fromkeys(groups))}
    group = torch.tensor([number[one] for one in groups])
    first = torch.tensor([at for at, one in enumerate(seen) if one.closer], dtype=torch.int64)
    pieces = []
    if len(first):
        features = torch.from_numpy(np.stack([seen[at].first for at in first.tolist()]))
        plain = torch.ones(len(first), dtype=torch.bool)
        pieces.append(Rows(features, lessons.at(first).opinions_only(), group[first], plain))
    for copy in range(len(seen[0].judged)):
        features = torch.from_numpy(np.stack([one.judged[copy] for one in seen]))
        pieces.append(Rows(features, lessons, group, torch.full((len(seen),), copy == 0)))
    return Rows.joined(pieces)
