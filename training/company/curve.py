"""What labels are worth: the simulated company labels in the order of the queue or by lot, and retrains as it goes."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import torch

from wearvision.finder import FILE as FINDER
from wearvision.labels.label import NONE
from wearvision.labels.measuring import measured
from wearvision.labels.queue import mixed, rarity, spread, teaches, urgency
from wearvision.labels.settling import settle
from wearvision.labels.truth import Given, Truth
from wearvision.network import ModelFolder
from wearvision.parts import PARTS, region_names
from wearvision.standard import load_limits
from wearvision_training.assessment.answers import Case
from wearvision_training.company.gains import ORDERS
from wearvision_training.company.labeller import label_of
from wearvision_training.company.made import Company, input_side
from wearvision_training.network import WearNetwork
from wearvision_training.retrain.figures import side
from wearvision_training.retrain.lessons import Lessons
from wearvision_training.retrain.more import Squares, Tuning, tune
from wearvision_training.retrain.refit import between
from wearvision_training.retrain.site_calibration import Held, exact, recalibrated
from wearvision_training.retrain.store import read_json, write_json

TOWARD = 0.5
"""How far from the base to what was tuned; halfway was best on another company, whose designs are not this one's."""
FIRST_STEPS, STEPS_A_LABEL, MOST_STEPS = 200, 0.25, 450
"""Steps of a tuning: more with more labels, so that few are not learned by heart."""
BLOCKS = 7
"""Stages of the backbone that learn: all of them."""
Report = dict[str, Any]
Tell = Callable[[str], None]


def steps_for(labels: int) -> int:
    """Steps of a tuning on a number of labels."""
    return min(MOST_STEPS, round(FIRST_STEPS + STEPS_A_LABEL * labels))


def settled(company: Company, seed: int) -> list[Truth]:
    """What one person's labels settle, photo by photo."""
    limits, made = load_limits(), []
    for at, (image, truth) in enumerate(zip(company.photos.images, company.photos.truths, strict=True)):
        label = label_of(truth, np.random.default_rng([seed, at]))
        found = settle([Given("one", 1, label, measured(label, image, limits))], (), limits)
        if not isinstance(found, Truth):
            raise AssertionError("one label cannot differ from itself")
        made.append(found)
    return made


def start(company: Company, folder: Path) -> tuple[dict[str, Any], list[Report]]:
    """How well the base grades held-out photos, and its reports of those that wait for a label; kept in the folder."""
    file, waiting = folder / "base.json", folder / "base-waiting.json"
    row, reports = read_json(file), read_json(waiting)
    if row is None or reports is None:
        began = time.monotonic()
        reports = company.looked(company.base, [company.photos.images[at] for at in company.pool]).graded(company.model)
        row = {"labels": 0, "labelled": [], **_judged(company, company.base, company.model)}
        row["seconds"] = round(time.monotonic() - began, 1)
        write_json(waiting, reports)
        write_json(file, row)
    return row, reports


def run(company: Company, seed: int, sizes: Sequence[int], folder: Path, tell: Tell) -> list[dict[str, Any]]:
    """One company's two ways: labels by the queue or by lot, and how well it grades held-out photos at each size.

    Args:
        company: See ``Company``.
        seed: Of the labeller, the orders and the training.
        sizes: Numbers of labels at which it retrains, rising; 0 is the base. Where the pool is all labelled both
            orders are one.
        folder: Of all runs; a size that is done is not done again.
        tell: Told of each retraining in a line.
    """
    base, reports = start(company, folder)
    truths, pool = settled(company, seed), company.pool
    by_lot = [pool[at] for at in np.random.default_rng([seed, 0]).permutation(len(pool))]
    rows: list[dict[str, Any]] = []
    first = _queue(company, company.model, dict(zip(pool, reports, strict=True)), truths, [], by_lot, seed)
    for order in ORDERS:
        following = first
        for size in sizes:
            whole = size == len(pool)
            file = folder / f"{'all' if whole else order}-{seed}-{size:05d}.json"
            row = base if not size else read_json(file)
            if row is None:
                began = time.monotonic()
                labelled = by_lot[:size] if order == "lot" or whole else following[:size]
                network, graded_by = _taught(company, truths, labelled, seed, file.with_suffix(""))
                row = {"labels": size, "labelled": labelled, **_judged(company, network, graded_by)}
                if order == "queue" and not whole:
                    rest = [one for one in by_lot if one not in set(labelled)]
                    looked = company.looked(network, [company.photos.images[one] for one in rest]).graded(graded_by)
                    waiting = dict(zip(rest, looked, strict=True))
                    row["following"] = _queue(company, graded_by, waiting, truths, labelled, by_lot, seed)
                row["seconds"] = round(time.monotonic() - began, 1)
                write_json(file, row)
                tell(f"{order} {seed}: {size} labels, macro-F1 {row['clear']['macro_f1']['value']:.3f}")
            following = row.get("following", following)
            rows.append({**row, "order": order, "seed": seed})
    return rows


def _queue(
    company: Company,
    graded_by: Path,
    reports: dict[int, Report],
    truths: Sequence[Truth],
    labelled: Sequence[int],
    by_lot: Sequence[int],
    seed: int,
) -> list[int]:
    """Those labelled before, and the others in the order of the queue, a share of them by lot.

    Args:
        company: See ``Company``.
        graded_by: Model that made the reports.
        reports: Of each photo that waits.
        truths: What is known once a photo has its label.
        labelled: Photos that have one.
        by_lot: All in the order of their lots.
        seed: Of the draws.
    """
    known = Counter((truths[at].part, truths[at].grade or NONE) for at in labelled)
    least = ModelFolder.open(graded_by).record["calibration"]["refusal"]["least_energy"]
    urgent = {at: urgency(teaches(report, rare=rarity(known), least_energy=least)) for at, report in reports.items()}
    groups, ordered = company.groups, list[int]()
    taken = Counter(groups[at] for at in labelled)
    while urgent:
        one = spread(urgent, {at: taken[groups[at]] for at in urgent})[0]
        del urgent[one]
        taken[groups[one]] += 1
        ordered.append(one)
    waiting = [at for at in by_lot if at in reports]
    return [*labelled, *mixed(ordered, waiting, seed=seed + len(labelled))]


def _taught(
    company: Company, truths: Sequence[Truth], labelled: Sequence[int], seed: int, folder: Path
) -> tuple[WearNetwork, Path]:
    """A network that learned from some labels, and a folder with its calibration; as a retraining does it."""
    folder.mkdir(parents=True, exist_ok=True)
    place = {at: row for row, at in enumerate(company.pool)}
    images = company.squares[torch.tensor([place[at] for at in labelled], device=company.device)]
    count, half, regions = len(labelled), images.shape[1] // 2, len(region_names())
    site = Squares(
        images,
        torch.zeros(count, regions, half, half, dtype=torch.uint8, device=company.device),
        torch.zeros(count, regions, device=company.device),
        Lessons.of_truths([truths[at] for at in labelled], load_limits()).to(company.device),
        torch.arange(count, device=company.device),
    )
    how = Tuning(
        steps=steps_for(count), batch=64, blocks=BLOCKS, size=input_side(company.model), seed=seed
    )  # fmt: skip
    kept = folder / "tuning.pt"
    tuned = tune(company.base, site, company.drawn, how, company.device, kept=kept)
    kept.unlink()
    network = between(company.base, tuned, TOWARD)
    own = [at for at in company.of_split("calibrate") if truths[at].part in PARTS]
    parts = [at for at, truth in enumerate(company.checks.truths) if truth["part"] in PARTS]
    images_there = [company.photos.images[at] for at in own] + [company.checks.images[at] for at in parts]
    truths_there = [company.photos.truths[at] for at in own] + [company.checks.truths[at] for at in parts]
    seen = company.looked(network, images_there).seen(company.model, truths_there)
    held = [
        Held(one, {name: (bound.low, bound.high) for name, bound in truths[at].bounds.items()})
        for one, at in zip(seen[: len(own)], own, strict=True)
    ]
    record = dict(ModelFolder.open(company.model).record)
    record["calibration"] = recalibrated(
        record["calibration"], held, [exact(one) for one in seen[len(own) :]]
    )  # fmt: skip
    write_json(folder / "model.json", record)
    for name in ("model.onnx", *((FINDER,) if "finder" in record else ())):
        if not (folder / name).exists():
            (folder / name).symlink_to((company.model / name).resolve())
    return network, folder


def _judged(company: Company, network: WearNetwork, graded_by: Path) -> dict[str, Any]:
    """How well held-out photos are graded, against the truth itself; refused ones count as wrong.

    ``clear`` leaves guard bands out; ``said`` is each photo's grade, in the order of the split.
    """
    test = company.of_split("test")
    reports = company.looked(network, [company.photos.images[at] for at in test]).graded(graded_by)
    cases = [Case(at, company.photos.truths[at], report, {}) for at, report in zip(test, reports, strict=True)]
    parts = [case for case in cases if case.is_part]
    others = [case for case in cases if not case.is_part]
    return {
        "clear": side([case for case in parts if case.clear]),
        "all": side(parts),
        "said": [case.said for case in cases],
        "not_parts_refused": [sum(case.said is None for case in others), len(others)],
    }
