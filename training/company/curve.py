"""What labels are worth: the simulated company labels in the order of the queue or by lot, and retrains as it goes."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from wearvision.labels.label import NONE
from wearvision.labels.measuring import measured
from wearvision.labels.queue import mixed, rarity, spread, teaches, urgency
from wearvision.labels.settling import settle
from wearvision.labels.splits import group_of, split_of
from wearvision.labels.truth import Given, Truth
from wearvision.network import ModelFolder
from wearvision.parts import PARTS
from wearvision.standard import load_limits
from wearvision_training.assessment.answers import Case
from wearvision_training.company.labeller import label_of
from wearvision_training.company.photos import Photos
from wearvision_training.company.remembered import Again, Kept
from wearvision_training.dataset import PictureSet
from wearvision_training.network import WearNetwork
from wearvision_training.retrain.figures import side
from wearvision_training.retrain.glimpses import Glimpse, Task, kept_glimpse, see
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.material import rows_of
from wearvision_training.retrain.refit import Rows, choose, teach
from wearvision_training.retrain.site_calibration import Held, exact, recalibrated
from wearvision_training.school.weights import load_weights

ORDERS = ("queue", "lot")


@dataclass(frozen=True, slots=True)
class Company:
    """All that a run needs, made once.

    Attributes:
        model: The base's folder.
        photos: Of the company. kept: what the base's unchanged part gave for them, then for ``checks``.
        seen: What heads learn from, of each photo of the company.
        drawn: Looks at drawn pictures, so that nothing is forgotten.
        checks: Drawn pictures of designs held out for calibration.
        device: Where heads learn. workers: processes.
    """

    model: Path
    photos: Photos
    kept: Kept
    seen: Sequence[Glimpse]
    drawn: Rows
    checks: PictureSet
    device: torch.device
    workers: int

    @property
    def groups(self) -> list[str]:
        """The group of each photo."""
        return [group_of(machine, "") for machine in self.photos.machines]

    def of_split(self, split: str) -> list[int]:
        """Indices of the photos of a split."""
        return [at for at, group in enumerate(self.groups) if split_of(group) == split]


def look_at_all(
    model: Path, pictures: Sequence[NDArray[np.uint8]], folder: Path, copies: int, workers: int
) -> list[Glimpse]:
    """What heads learn from, of each picture and its changed copies; kept in a folder."""
    tasks = [Task(str(model), folder / f"{at:05d}.npz", image, copies, 1) for at, image in enumerate(pictures)]
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        list(pool.map(see, tasks, chunksize=8))
    return [found for task in tasks if (found := kept_glimpse(task)) is not None]


def settled(photos: Photos, seed: int) -> list[Truth]:
    """What one person's labels settle, photo by photo."""
    limits, made = load_limits(), []
    for at, (image, truth) in enumerate(zip(photos.images, photos.truths, strict=True)):
        label = label_of(truth, np.random.default_rng([seed, at]))
        found = settle([Given("one", 1, label, measured(label, image, limits))], (), limits)
        if not isinstance(found, Truth):
            raise AssertionError("one label cannot differ from itself")
        made.append(found)
    return made


def run(company: Company, order: str, seed: int, sizes: Sequence[int], folder: Path) -> list[dict[str, Any]]:
    """One company's way: labels in an order, a retraining at each size, and how well it grades held-out photos.

    Args:
        company: See ``Company``.
        order: One of ``ORDERS``.
        seed: Of the labeller, the order and the training.
        sizes: Numbers of labels at which it retrains, rising; 0 is the base.
        folder: Of this run; a size that is done is not done again.
    """
    folder.mkdir(parents=True, exist_ok=True)
    truths, pool = settled(company.photos, seed), company.of_split("train")
    base = load_weights(company.model / "weights.safetensors").to(company.device)
    by_lot = [pool[at] for at in np.random.default_rng([seed, 0]).permutation(len(pool))]
    network, graded_by, labelled, found = base, company.model, list[int](), list[dict[str, Any]]()
    for size in sizes:
        file = folder / f"{size:05d}.json"
        if file.is_file():
            row = json.loads(file.read_text("utf-8"))
            labelled, found = row["labelled"], [*found, row]
            network = None
            continue
        began = time.monotonic()
        if network is None:
            network, graded_by = _taught(company, base, truths, labelled, seed, folder)
        labelled = _next(company, order, network, graded_by, truths, labelled, by_lot, size, seed)
        if size:
            network, graded_by = _taught(company, base, truths, labelled, seed, folder)
        row = {
            "order": order,
            "seed": seed,
            "labels": size,
            "labelled": labelled,
            **_judged(company, network, graded_by),
        }
        row["seconds"] = round(time.monotonic() - began, 1)
        file.write_text(json.dumps(row), "utf-8")
        found.append(row)
    return found


def _next(
    company: Company,
    order: str,
    network: WearNetwork,
    graded_by: Path,
    truths: Sequence[Truth],
    labelled: list[int],
    by_lot: list[int],
    size: int,
    seed: int,
) -> list[int]:
    """Those labelled before, and the next ones in the order."""
    wanted = size - len(labelled)
    waiting = [at for at in by_lot if at not in set(labelled)]
    if order == "lot" or wanted >= len(waiting) or not wanted:
        return [*labelled, *waiting[:wanted]]
    reports = Again(company.kept, company.model, network, workers=company.workers).graded(graded_by, waiting)
    known = Counter((truths[at].part, truths[at].grade or NONE) for at in labelled)
    least = ModelFolder.open(graded_by).record["calibration"]["refusal"]["least_energy"]
    urgent = {
        at: urgency(teaches(report, rare=rarity(known), least_energy=least))
        for at, report in zip(waiting, reports, strict=True)
    }
    groups, ordered = company.groups, list[int]()
    taken = Counter(groups[at] for at in labelled)
    while urgent and len(ordered) < wanted:
        one = spread(urgent, {at: taken[groups[at]] for at in urgent})[0]
        del urgent[one]
        taken[groups[one]] += 1
        ordered.append(one)
    return [*labelled, *mixed(ordered, waiting, seed=seed + size)[:wanted]]


def _taught(
    company: Company, base: WearNetwork, truths: Sequence[Truth], labelled: Sequence[int], seed: int, folder: Path
) -> tuple[WearNetwork, Path]:
    """A network whose heads learned from some labels, and a folder with its calibration; as a retraining does it."""
    lessons = Lessons.of_truths([truths[at] for at in labelled], load_limits())
    site = rows_of([company.seen[at] for at in labelled], lessons, [company.groups[at] for at in labelled])
    site, drawn = site.to(company.device), company.drawn.to(company.device)
    way, _ = choose(base, site, drawn, seed=seed)
    network = teach(base, site, drawn, way)
    again = Again(company.kept, company.model, network, workers=company.workers)
    own = [at for at in company.of_split("calibrate") if truths[at].part in PARTS]
    rows = again.seen(company.model, own, [company.photos.truths[at] for at in own])
    held = [
        Held(one, {name: (bound.low, bound.high) for name, bound in truths[at].bounds.items()})
        for one, at in zip(rows, own, strict=True)
    ]
    first = len(company.photos)
    parts = [at for at, truth in enumerate(company.checks.truths) if truth["part"] in PARTS]
    others = again.seen(company.model, [first + at for at in parts], [company.checks.truths[at] for at in parts])
    record = dict(ModelFolder.open(company.model).record)
    record["calibration"] = recalibrated(record["calibration"], held, [exact(one) for one in others])
    graded_by = folder / "model"
    graded_by.mkdir(exist_ok=True)
    (graded_by / "model.json").write_text(json.dumps(record), "utf-8")
    graph = graded_by / "model.onnx"
    if not graph.exists():
        graph.symlink_to((company.model / "model.onnx").resolve())
    return network, graded_by


def _judged(company: Company, network: WearNetwork, graded_by: Path) -> dict[str, Any]:
    """How well held-out photos are graded, against the truth itself; guard bands left out, refused ones wrong."""
    test = company.of_split("test")
    reports = Again(company.kept, company.model, network, workers=company.workers).graded(graded_by, test)
    cases = [Case(at, company.photos.truths[at], report, {}) for at, report in zip(test, reports, strict=True)]
    parts = [case for case in cases if case.is_part]
    others = [case for case in cases if not case.is_part]
    return {
        "clear": side([case for case in parts if case.clear]),
        "all": side(parts),
        "not_parts_refused": [sum(case.said is None for case in others), len(others)],
    }


def curve(
    company: Company, sizes: Sequence[int], seeds: Sequence[int], folder: Path, tell: Callable[[str], None]
) -> list[dict[str, Any]]:
    """Every run: both orders, all seeds; each is told in a line."""
    rows = list[dict[str, Any]]()
    for seed in seeds:
        for order in ORDERS:
            rows += run(company, order, seed, sizes, folder / f"{order}-{seed}")
            tell(f"{order} {seed}: " + ", ".join(_said(row) for row in rows[-len(sizes) :]))
    return rows


def _said(row: dict[str, Any]) -> str:
    return f"{row['labels']} {row['clear']['macro_f1']['value']:.3f}"


def between(rows: Sequence[dict[str, Any]], sizes: Sequence[int]) -> dict[str, Any]:
    """Area between the curves of the queue and of the lot, pair by pair of a seed.

    The area under macro-F1 over the number of labels (trapezia), divided by their range: a mean macro-F1.

    Returns:
        The mean of the differences with its 95 % interval by Student's t, and each seed's.
    """
    from scipy.stats import t

    seeds = sorted({row["seed"] for row in rows})
    value = {(row["order"], row["seed"], row["labels"]): row["clear"]["macro_f1"]["value"] for row in rows}
    area = {
        (order, seed): np.trapezoid([value[order, seed, size] for size in sizes], sizes) / (sizes[-1] - sizes[0])
        for order in ORDERS
        for seed in seeds
    }
    apart = np.array([area["queue", seed] - area["lot", seed] for seed in seeds])
    reach = float(t.ppf(0.975, len(seeds) - 1) * apart.std(ddof=1) / np.sqrt(len(seeds))) if len(seeds) > 1 else np.nan
    return {
        "mean": float(apart.mean()),
        "low": float(apart.mean()) - reach,
        "high": float(apart.mean()) + reach,
        "each": [round(float(one), 4) for one in apart],
    }


def labels_for(rows: Sequence[dict[str, Any]], order: str, seed: int, goal: float) -> float | None:
    """Labels at which a run first reaches a macro-F1, read off between two sizes; None where it never does."""
    own = sorted(
        (row["labels"], row["clear"]["macro_f1"]["value"])
        for row in rows
        if (row["order"], row["seed"]) == (order, seed)
    )
    before: tuple[int, float] | None = None
    for size, value in own:
        if value >= goal:
            if before is None:
                return float(size)
            share = (goal - before[1]) / (value - before[1])
            return before[0] + share * (size - before[0])
        before = size, value
    return None
