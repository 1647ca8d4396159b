"""Sets of pictures on disk: made in parallel, resumable, loaded whole.

A set is a folder of shards. Shard ``00012`` is three files: ``00012.images.npy`` (N, S, S, 3) uint8,
``00012.regions.npy`` (N, R, S/2, S/2) uint8 (cover of each cell times 255, in the order of
``wearvision.parts.region_names()``) and ``00012.jsonl``, one line a picture: its recipe and its truth.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
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

SHARD = 250
SHARES = {"flame_cell": 0.28, "electrode": 0.26, "coupler": 0.32, "none": 0.14}
"""Share of each part in a set; the coupler has two views."""
THIN = frozenset({"crack"})
"""Regions thinner than a cell: a cell counts as covered when any of it is."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What a set holds: how many pictures, from which families, drawn from which seed.

    Sets to calibrate and to test are drawn larger than the network's input, as a phone's photo would be, and
    need no regions.
    """

    count: int
    split: Split
    seed: int
    size: int = 320
    regions: bool = True


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


def recipe_seeds(plan: Plan) -> Iterator[tuple[str, np.random.Generator]]:
    """The part and the generator of every picture of a plan, in order; the same every time."""
    parts, shares = list(SHARES), np.array(list(SHARES.values()))
    for index in range(plan.count):
        rng = np.random.default_rng([plan.seed, index])
        yield str(rng.choice(parts, p=shares)), rng


def _make_shard(task: tuple[Plan, int, int, Path]) -> int:
    from wearvision_training import studio

    plan, number, shard, folder = task
    cv2.setNumThreads(1)
    name = f"{number:05d}"
    if (folder / f"{name}.jsonl").is_file():
        return 0
    images, regions, lines = [], [], []
    for index, (part, rng) in enumerate(recipe_seeds(plan)):
        if index // shard != number:
            continue
        recipe = studio.sample_recipe(part, rng, families=families(part, plan.split))
        example = studio.draw(recipe, plan.size)
        images.append(example.image)
        if plan.regions:
            regions.append(region_cells(example))
        lines.append(json.dumps({"recipe": json.loads(recipe.to_json()), "truth": truth_of(example)}))
    np.save(folder / f"{name}.images.npy", np.stack(images))
    if plan.regions:
        np.save(folder / f"{name}.regions.npy", np.stack(regions))
    partial = folder / f"{name}.jsonl.part"
    partial.write_text("\n".join(lines) + "\n", "utf-8")
    partial.replace(folder / f"{name}.jsonl")  # last, so that a shard with this file is whole
    return len(lines)


def build(folder: Path, plan: Plan, *, workers: int, progress: bool = True) -> None:
    """Makes the set that a plan describes; shards already there are kept.

    Raises:
        ValueError: the folder holds a set of another plan.
    """
    from tqdm import tqdm

    folder.mkdir(parents=True, exist_ok=True)
    note = folder / "plan.json"
    described = asdict(plan)
    if note.is_file() and json.loads(note.read_text("utf-8")) != described:
        raise ValueError(f"{folder} holds another set ({note.read_text('utf-8')}); choose an empty folder.")
    note.write_text(json.dumps(described), "utf-8")
    tasks = [(plan, number, SHARD, folder) for number in range(-(-plan.count // SHARD))]
    with ProcessPoolExecutor(max_workers=workers, mp_context=get_context("spawn")) as pool:
        done = pool.map(_make_shard, tasks)
        for _ in tqdm(done, total=len(tasks), desc=f"drawing {plan.split}", unit="shard", disable=not progress):
            pass


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
            names = names[: -(-limit // SHARD)]
        if not names:
            raise FileNotFoundError(f"{folder} holds no finished shard; draw a set first.")
        lines = [
            json.loads(line) for name in names for line in (folder / f"{name}.jsonl").read_text("utf-8").splitlines()
        ]
        return cls(
            images=np.concatenate([np.load(folder / f"{name}.images.npy") for name in names])[:limit],
            regions=_regions(folder, names)[:limit],
            truths=[line["truth"] for line in lines][:limit],
            recipes=[line["recipe"] for line in lines][:limit],
        )


def _regions(folder: Path, names: Sequence[str]) -> NDArray[np.uint8]:
    files = [folder / f"{name}.regions.npy" for name in names]
    if not all(file.is_file() for file in files):
        return np.zeros((0, len(region_names()), 0, 0), np.uint8)
    return np.concatenate([np.load(file) for file in files])
