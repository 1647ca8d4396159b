"""Looks at pictures not learned from while a run goes on: how right, how far off, and how honest its spreads are."""

from __future__ import annotations

import math

import numpy as np
import torch
from numpy.typing import NDArray
from sklearn.metrics import f1_score, roc_auc_score

from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES
from wearvision_training.losses import IGNORE, WORN, measure_scales
from wearvision_training.network import MEASURES, PART_NAMES, WearNetwork
from wearvision_training.school.feed import scaled
from wearvision_training.school.material import Held

STATED = 0.95
REACH = -math.log(1 - STATED)
"""Half width of the interval that holds 95 % of a Laplace distribution, in its scale."""
SUMMARY = ("part", "grade", "grade_by_values", "auroc", "f1", "relative_error", "held")
OF_MEASURE = ("auroc", "f1", "error", "constant", "held")
Floats = NDArray[np.float64]


@torch.inference_mode()
def watch(network: WearNetwork, held: Held, size: int, device: torch.device, batch: int = 64) -> dict[str, float]:
    """Figures of merit on watched pictures; NaN where there is nothing to say.

    ``part``, ``grade`` (the network's own) and ``grade_by_values`` (by the standard's limits) are shares right, the
    grades clear of guard bands. Each measure has the presence's ``auroc`` and ``f1``, over worn pictures the mean
    absolute ``error``, that of the best ``constant``, and how often the stated 95 % interval ``held`` the truth; the
    plain names are their means, ``relative_error`` that of error over constant.

    Args:
        network: In evaluation mode, on the device.
        held: The pictures.
        size: Side of the network's input.
        device: Where to work.
        batch: Pictures at once.
    """
    outs = []
    for images in held.images.split(batch):
        pictures = scaled(images.to(device), size)
        if device.type == "cuda":
            pictures = pictures.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            out = network(pictures)
        outs.append((out.part, out.grade, out.value, out.spread, out.presence))
    part, grade, value, spread, presence = (torch.cat(one).float().cpu() for one in zip(*outs, strict=True))
    targets, rows = held.targets, {}
    graded = targets.grade != IGNORE
    rows["part"] = _share(part.argmax(1) == targets.part)
    rows["grade"] = _share((grade.argmax(1) == targets.grade)[graded])
    rows["grade_by_values"] = _by_values(value, held)
    truth = targets.value.double().numpy()
    scales = measure_scales().double().numpy()
    for column, key in enumerate(MEASURES):
        known = np.isfinite(truth[:, column])
        found = _of_measure(
            truth[known, column],
            value[:, column].double().numpy()[known],
            spread[:, column].double().numpy()[known],
            presence[:, column].double().numpy()[known],
        )
        for name, number in found.items():
            rows[f"{key}.{name}"] = number * scales[column] if name in ("error", "constant") else number
    return _summed(rows)


def _summed(rows: dict[str, float]) -> dict[str, float]:
    def mean(of: list[float]) -> float:
        finite = [number for number in of if math.isfinite(number)]
        return sum(finite) / len(finite) if finite else math.nan

    for name in ("auroc", "f1", "held"):
        rows[name] = mean([rows[f"{key}.{name}"] for key in MEASURES])
    # A measure of which every example is alike (a bridge is there or not) has no constant to be better than.
    rows["relative_error"] = mean(
        [rows[f"{key}.error"] / rows[f"{key}.constant"] for key in MEASURES if rows[f"{key}.constant"] > 1e-6]
    )
    return {**{name: rows[name] for name in SUMMARY}, **{name: rows[name] for name in rows if name not in SUMMARY}}


def _share(right: torch.Tensor) -> float:
    return float(right.float().mean()) if len(right) else math.nan


def _of_measure(truth: Floats, value: Floats, spread: Floats, presence: Floats) -> dict[str, float]:
    """Figures of one measure, in units of its scale."""
    worn = truth > WORN
    found = dict.fromkeys(OF_MEASURE, math.nan)
    if worn.any() and not worn.all():
        found["auroc"] = float(roc_auc_score(worn, presence))
        found["f1"] = float(f1_score(worn, presence > 0, zero_division=0.0))
    if worn.any():
        off = np.abs(truth - value)[worn]
        found["error"] = float(off.mean())
        found["constant"] = float(np.abs(truth[worn] - np.median(truth[worn])).mean())
        found["held"] = float((off <= REACH * spread[worn]).mean())
    return found


def _by_values(value: torch.Tensor, held: Held) -> float:
    """Share of pictures whose grade by the standard's limits is right, clear of guard bands."""
    limits, right = load_limits(), []
    scales = measure_scales()
    known = torch.isfinite(held.targets.value)
    for row, grade in enumerate(held.targets.grade.tolist()):
        if grade == IGNORE:
            continue
        part = PART_NAMES[int(held.targets.part[row])]
        measures = {
            key.partition(".")[2]: float(value[row, column] * scales[column])
            for column, key in enumerate(MEASURES)
            if bool(known[row, column])
        }
        right.append(limits.grade_part(part, measures).grade == GRADES[grade])
    return float(np.mean(right)) if right else math.nan
