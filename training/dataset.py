"""Sets of pictures on disk: made in parallel, resumable, loaded whole.

A set is a folder of shards and a ``plan.json`` that says what they hold. Shard ``00012`` is ``00012.images.npy``
(N, S, S, 3) uint8, or ``00012.photos.npz`` (encoded photos, one after the other, and where each begins),
``00012.regions.npy`` (N, R, S/2, S/2) uint8 (cover of each cell times 255, in the order of
``wearvision.parts.region_names()``) and ``00012.jsonl``, one line a picture: its parameter record, its truth and
the SHA-256 of its pixels.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import MISSING, asdict, dataclass, fields
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.parts import PARTS, region_names
from wearvision.standard import load_limits
from wearvision_training.example import Example
from wearvision_training.families import Split, families
from wearvision_training.leaving import leave_with
from wearvision_training.recipe import Engine

SHARD = 50
"""Pictures in a shard, by default: few enough that a stop loses little."""
PHOTO_QUALITY = 95
"""JPEG quality at which a set of photos keeps its pictures, high beside that of the phones it shows."""
SHARES = {"flame_cell": 0.26, "electrode": 0.25, "coupler": 0.36, "none": 0.13}
"""Share of each part in a set; the coupler has two views."""
THIN = frozenset({"crack"})
"""Regions thinner than a cell: a cell counts as covered when any of it is."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a set holds: how many pictures, from which families, drawn from which seed.

    Sets to calibrate and to test are drawn larger than the network's input, as a phone's photo would be, and
    need no regions; kept as ``photos`` they take a twentieth of the room. A worker writes a ``shard`` when it has all
    of its pictures, so many workers with little time need small ones.
    """

    count: int
    split: Split
    seed: int
    size: int = 320
    regions: bool = True
    photos: bool = False
    engine: Engine = "sketch"
    samples: int = 64
    shard: int = SHARD


def truth_of(example: Example) -> dict[str, Any]:
    """The label of a picture as plain JSON values: part, view, measures, grade, acceptable grades."""
    label: dict[str, Any] = {"part": example.part, "view": example.view, "family": example.recipe.family}
    if example.part not in PARTS:
        return {**label, "measures": {}, "grade": None, "acceptable_grades": [], "borderline": False}
    measures = {name: value for name, value in example.measures.items() if value is not None}
    grade, acceptable, borderline = load_limits().grade_part(example.part, measures)
    return {
        **label,
        "measures": {name: round(float(value), 6) for name, value in measures.items()},
        "grade": grade,
        "acceptable_grades": list(acceptable),
        "borderline": borderline,
    }


def region_cells(example: Example) -> NDArray[np.uint8]:
    """Cover of each 2 by 2 pixel cell by each region, (R, S/2, S/2) uint8, 0 to 255."""
    side = example.image.shape[0] // 2
    cells = np.zeros((len(region_names()), side, side), np.uint8)
    for index, name in enumerate(region_names()):
        weight = example.weights.get(name)
        mask = example.masks.get(name)
        plane = weight if weight is not None else mask
        if plane is None or not plane.any():
            continue
        blocks = np.asarray(plane, np.float32).reshape(side, 2, side, 2)
        cover = blocks.max((1, 3)) if name in THIN else blocks.mean((1, 3))
        cells[index] = np.round(cover * 255).astype(np.uint8)
    return cells


def picture_seed(plan: Plan, index: int) -> tuple[str, np.random.Generator]:
    """The part and the generator of a plan's picture; the same every time, whatever was drawn before."""
    rng = np.random.default_rng([plan.seed, index])
    return str(rng.choice(list(SHARES), p=list(SHARES.values()))), rng


def make(plan: Plan, index: int) -> Example:
    """One picture of a plan."""
    from wearvision_training import studio

    part, rng = picture_seed(plan, index)
    recipe = studio.sample_recipe(part, rng, families=families(part, plan.split), engine=plan.engine)
    return studio.draw(recipe, plan.size, samples=plan.samples)


ShardTask = tuple[Plan, int, Path, float | None]
"""Plan, number, folder, and when no further picture is begun."""


def make_shard(task: ShardTask) -> int:
    """Makes a shard that is not there yet, whole or not at all; returns how many pictures were made."""
    plan, number, folder, deadline = task
    cv2.setNumThreads(1)
    name = f"{number:05d}"
    if (folder / f"{name}.jsonl").is_file():
        return 0
    images, regions, lines = [], [], []
    for index in range(number * plan.shard, min((number + 1) * plan.shard, plan.count)):
        if deadline is not None and time.time() > deadline:
            return 0
        example = make(plan, index)
        images.append(example.image)
        if plan.regions:
            regions.append(region_cells(example))
        lines.append(_line(example))
    if plan.photos:
        files, starts = _packed(images)
        np.savez(folder / f"{name}.photos.npz", files=files, starts=starts)
    else:
        np.save(folder / f"{name}.images.npy", np.stack(images))
    if plan.regions:
        np.save(folder / f"{name}.regions.npy", np.stack(regions))
    partial = folder / f"{name}.jsonl.part"
    partial.write_text("\n".join(lines) + "\n", "utf-8")
    partial.replace(folder / f"{name}.jsonl")  # last, so that a shard with this file is whole
    return len(lines)


def _line(example: Example) -> str:
    record = {
        "recipe": json.loads(example.recipe.to_json()),
        "truth": truth_of(example),
        "sha256": hashlib.sha256(example.image.tobytes()).hexdigest(),
    }
    return json.dumps(record)


def _packed(images: Sequence[NDArray[np.uint8]]) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Pictures as JPEG files one after the other, and where each begins and the last one ends."""
    files = []
    for image in images:
        done, packed = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, PHOTO_QUALITY])
        if not done:
            raise RuntimeError("OpenCV could not encode a JPEG")
        files.append(packed.ravel())
    return np.concatenate(files).astype(np.uint8), np.cumsum([0, *(len(f) for f in files)])


def _unpacked(path: Path) -> NDArray[np.uint8]:
    with np.load(path) as held:
        files, starts = held["files"], held["starts"]
    pictures = []
    for start, stop in pairwise(starts):
        decoded = cv2.imdecode(files[start:stop], cv2.IMREAD_COLOR)
        if decoded is None:
            raise ValueError(f"{path} holds a picture that cannot be read")
        pictures.append(decoded[..., ::-1])
    return np.stack(pictures).astype(np.uint8)


def _take_device(devices: Any, parent: int) -> None:
    """Gives a worker its device: the number of an accelerator, or ``"cpu"``; must come before Mitsuba is loaded."""
    leave_with(parent)
    device = devices.get()
    os.environ["WEARVISION_RENDER"] = "cpu" if device == "cpu" else "cuda"
    os.environ["WEARVISION_RENDER_THREADS"] = "1"
    if device != "cpu":
        os.environ["CUDA_VISIBLE_DEVICES"] = device


def _claim(folder: Path, plan: Plan) -> None:
    """Writes down what the folder holds, and refuses one that holds another set."""
    note = folder / "plan.json"
    if note.is_file():
        # What an older note does not say is as it was before there was a choice.
        usual = {one.name: one.default for one in fields(Plan) if one.default is not MISSING}
        held = usual | json.loads(note.read_text("utf-8"))
        other = [name for name, value in asdict(plan).items() if held.get(name) != value]
        if other:
            differs = ", ".join(f"{name} {held.get(name)}" for name in other)
            raise ValueError(f"{folder} holds another set, with {differs}; choose an empty folder.")
    note.write_text(json.dumps(asdict(plan)), "utf-8")


def shard_tasks(folder: Path, plan: Plan, deadline: float | None = None) -> list[ShardTask]:
    """What ``make_shard`` has to do for a plan, in a folder that then holds no other.

    Raises:
        ValueError: the folder holds a set of another plan.
    """
    folder.mkdir(parents=True, exist_ok=True)
    _claim(folder, plan)
    return [(plan, number, folder, deadline) for number in range(-(-plan.count // plan.shard))]


def build(
    folder: Path,
    plan: Plan,
    *,
    workers: int,
    devices: Sequence[str] = ("cpu",),
    time_limit: float | None = None,
    progress: bool = True,
) -> int:
    """Makes the set that a plan describes; shards already there are kept.

    Args:
        folder: Of the set.
        plan: What it holds.
        workers: Processes.
        devices: What path tracing runs on, dealt out to the workers in turn: ``"cpu"`` or an accelerator's number.
        time_limit: Seconds after which no further picture is begun; a later call goes on.
        progress: Show a bar.

    Returns:
        Number of pictures made by this call.

    Raises:
        ValueError: the folder holds a set of another plan.
    """
    from tqdm import tqdm

    deadline = None if time_limit is None else time.time() + time_limit
    tasks = shard_tasks(folder, plan, deadline)
    context = get_context("spawn")
    dealt = context.Queue()
    for index in range(workers):
        dealt.put(devices[index % len(devices)])
    made = 0
    with (
        ProcessPoolExecutor(workers, context, initializer=_take_device, initargs=(dealt, os.getpid())) as pool,
        tqdm(total=plan.count, desc=f"drawing {plan.split}", unit="picture", disable=not progress) as bar,
    ):
        for count in pool.map(make_shard, tasks):
            made += count
            bar.update(count)
    return made


@dataclass(frozen=True, slots=True)
class PictureSet:
    """A set in memory.

    Attributes:
        images: (N, S, S, 3) uint8.
        regions: (N, R, S/2, S/2) uint8; (0, …) where the set has none.
        truths: The labels, as ``truth_of`` makes them.
        recipes: The parameter records as plain JSON values.
    """

    images: NDArray[np.uint8]
    regions: NDArray[np.uint8]
    truths: Sequence[dict[str, Any]]
    recipes: Sequence[dict[str, Any]]

    def __len__(self) -> int:
        return len(self.truths)

    def inputs(self, count: int, size: int) -> NDArray[np.uint8]:
        """The first ``count`` pictures at the network's input size, (count, size, size, 3) uint8."""
        return np.stack([cv2.resize(i, (size, size), interpolation=cv2.INTER_AREA) for i in self.images[:count]])

    @classmethod
    def load(cls, folder: Path, limit: int | None = None) -> PictureSet:
        """Reads a set, or the first ``limit`` pictures of it.

        Raises:
            FileNotFoundError: the folder holds no finished shard.
        """
        names = sorted(path.stem for path in folder.glob("*.jsonl"))
        if limit is not None:
            names = _enough(folder, names, limit)
        if not names:
            raise FileNotFoundError(f"{folder} holds no finished shard; draw a set first.")
        lines = [
            json.loads(line) for name in names for line in (folder / f"{name}.jsonl").read_text("utf-8").splitlines()
        ]
        return cls(
            images=np.concatenate([_images(folder, name) for name in names])[:limit],
            regions=_regions(folder, names)[:limit],
            truths=[line["truth"] for line in lines][:limit],
            recipes=[line["recipe"] for line in lines][:limit],
        )


def _enough(folder: Path, names: list[str], limit: int) -> list[str]:
    """The first shards that hold at least ``limit`` pictures."""
    held = 0
    for taken, name in enumerate(names):
        if held >= limit:
            return names[:taken]
        held += (folder / f"{name}.jsonl").read_text("utf-8").count("\n")
    return names


def _images(folder: Path, name: str) -> NDArray[np.uint8]:
    photos = folder / f"{name}.photos.npz"
    return _unpacked(photos) if photos.is_file() else np.asarray(np.load(folder / f"{name}.images.npy"))


def _regions(folder: Path, names: Sequence[str]) -> NDArray[np.uint8]:
    files = [folder / f"{name}.regions.npy" for name in names]
    if not all(file.is_file() for file in files):
        return np.zeros((0, len(region_names()), 0, 0), np.uint8)
    return np.concatenate([np.load(file) for file in files])
