"""Fits a model's calibration on designs it was not trained on, by the library's own examination of each picture."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from wearvision_training.dataset import PictureSet

from wearvision.calibration import blend
from wearvision.examine import examine
from wearvision.look import look
from wearvision.measure.result import Measured, Outcome
from wearvision.network import ModelFolder, Network
from wearvision.parts import PARTS
from wearvision.sighting import Estimate

WEIGHTS = (0.0, 0.25, 0.5, 0.75, 1.0)
RANKS = np.linspace(0.01, 0.99, 99)
REFUSED_SHARE = 0.005
"""Share of fit part photos that each of the two refusal rules may refuse."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the library saw in one labelled picture: enough to fit and to evaluate without looking again."""

    truth: Mapping[str, Any]
    part: str
    none: float
    energy: float
    view: str
    direct: Mapping[str, Estimate]
    geometry: Mapping[str, Outcome]


_network: Network | None = None


def _start(folder: str) -> None:
    global _network  # one session a process: loading it for each picture would cost more than the picture
    _network = Network(ModelFolder.open(folder))


def _see(task: tuple[NDArray[np.uint8], dict[str, Any]]) -> Seen:
    image, truth = task
    if _network is None:
        raise RuntimeError("the worker was not started with a model")
    found = examine(look(_network, image), part=truth["part"] if truth["part"] in PARTS else None)
    sighting = found.look.sighting
    geometry = {
        name: Measured(value.value, value.low, value.high) if isinstance(value, Measured) else value
        for name, value in found.geometry.items()
    }
    return Seen(truth, sighting.part, sighting.parts["none"], sighting.energy, found.view, found.direct, geometry)


def see(folder: Path, pictures: PictureSet, *, workers: int, progress: bool = True) -> list[Seen]:
    """Examines every picture of a set with a model, in parallel; the part is taken as known."""
    from tqdm import tqdm

    tasks: Iterable[Any] = zip(pictures.images, pictures.truths, strict=True)
    with ProcessPoolExecutor(max_workers=workers, initializer=_start, initargs=(str(folder),)) as pool:
        results = pool.map(_see, tasks, chunksize=16)
        return list(tqdm(results, total=len(pictures), desc="examining", mininterval=5, disable=not progress))


def fit(seen: list[Seen], *, rate: float = 0.95) -> dict[str, Any]:
    """The block ``calibration`` of a ``model.json``.

    Odd pictures choose the share of geometry, even ones give the residuals, so that none does both.

    Args:
        seen: Labelled pictures of designs held out for calibration.
        rate: How often an interval is to hold the truth, jointly over a part's modes.
    """
    entries: dict[str, Any] = {}
    joint: dict[str, float | None] = {}
    for part in PARTS:
        own = [item for item in seen if item.truth["part"] == part]
        choosing, scoring = own[1::2], own[0::2]
        scores: dict[str, dict[int, float]] = {}
        for mode in PARTS[part].modes:
            key, name = f"{part}.{mode.measure}", mode.measure
            weight = _best_weight(choosing, name)
            signed = _scores(scoring, name, weight)
            scores[key] = {index: abs(score) for index, score in signed.items()}
            values = np.array(list(signed.values()))
            entries[key] = {
                "weight": weight,
                "quantile": _finite(conformal_quantile(np.abs(values), rate)),
                "examples": len(values),
                "residuals": [round(float(r), 4) for r in np.quantile(values, RANKS)] if len(values) else [],
            }
        joint[part] = _finite(_joint_factor(scores, entries, rate))
    return {
        "rate": rate,
        "calibrated_on": "rendered",
        "pictures": len(seen),
        "measures": entries,
        "joint": joint,
        "refusal": _refusal(seen),
    }


def conformal_quantile(scores: NDArray[np.float64], rate: float) -> float:
    """The split-conformal quantile of absolute scores by ``crepes``; infinite where there are too few."""
    from crepes import ConformalRegressor

    if len(scores) < math.ceil(rate / (1 - rate) - 1e-9):
        return math.inf
    fitted = ConformalRegressor().fit(scores)
    # A hair under the rate: the library rounds (1 - rate)(n + 1) down, which is one rank too wide where it is whole.
    return float(fitted.predict_int(np.zeros(1), confidence=rate - 1e-9)[0, 1])


def _finite(value: float) -> float | None:
    return None if math.isinf(value) else round(value, 5)


def _pairs(items: list[Seen], name: str) -> list[tuple[int, Seen, float]]:
    return [
        (index, item, float(item.truth["measures"][name]))
        for index, item in enumerate(items)
        if name in item.truth["measures"] and name in item.direct
    ]


def _best_weight(items: list[Seen], name: str) -> float:
    pairs = [(item, truth) for _, item, truth in _pairs(items, name) if isinstance(item.geometry.get(name), Measured)]
    if not pairs:
        return 0.0

    def error(weight: float) -> float:
        return sum(abs(blend(i.direct[name], i.geometry[name], weight).value - truth) for i, truth in pairs)

    return min(WEIGHTS, key=error)


def _scores(items: list[Seen], name: str, weight: float) -> dict[int, float]:
    scores = {}
    for index, item, truth in _pairs(items, name):
        joined = blend(item.direct[name], item.geometry.get(name), weight)
        scores[index] = (truth - joined.value) / joined.scale
    return scores


def _joint_factor(scores: dict[str, dict[int, float]], entries: Mapping[str, Any], rate: float) -> float:
    worst: dict[int, float] = {}
    for key, own in scores.items():
        quantile = entries[key]["quantile"]
        if quantile is None:
            return math.inf
        for index, score in own.items():
            worst[index] = max(worst.get(index, 0.0), score / max(quantile, 1e-9))
    return conformal_quantile(np.array(list(worst.values())), rate)


def _refusal(seen: list[Seen]) -> dict[str, float]:
    parts = [item for item in seen if item.truth["part"] in PARTS]
    return {
        "least_energy": round(float(np.quantile([item.energy for item in parts], REFUSED_SHARE)), 4),
        "most_none": round(float(max(np.quantile([item.none for item in parts], 1 - REFUSED_SHARE), 0.5)), 6),
    }


def calibrate(folder: Path, pictures: PictureSet, *, workers: int) -> None:
    """Fits a model folder's calibration on a set and writes it into its ``model.json``."""
    block = fit(see(folder, pictures, workers=workers))
    path = folder / "model.json"
    record = json.loads(path.read_text("utf-8"))
    record["calibration"] = block
    path.write_text(json.dumps(record, indent=1), "utf-8")
