"""Fits a model's calibration on designs it was not trained on, by the library's own examination of each picture."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.calibration import blend
from wearvision.examine import examine
from wearvision.look import look
from wearvision.measure.result import Measured, Outcome
from wearvision.network import ModelFolder, Network
from wearvision.parts import PARTS
from wearvision.sighting import Estimate
from wearvision.standard import load_limits
from wearvision_training.dataset import PictureSet

WEIGHTS = (0.0, 0.25, 0.5, 0.75, 1.0)
DOUBTS = (0.0, 0.25, 0.5, 1.0)
FLOORS = (0.0, 0.05, 0.1, 0.2, 0.4)
"""Floors of the scale that are tried, as shares of the measure's worst limit."""
USUAL = 0.98
"""Network and geometry differ by more than their usual gap in one picture of fifty."""
RANKS = np.linspace(0.01, 0.99, 99)
LEAST_REACH = 0.25
"""No interval reaches less than this share of the scale to a side, however one-sided the residuals were."""
LEAST_TOLD = 30
"""Fewer pictures say too little about how sure a network may be."""
REFUSED_SHARE = 0.02
"""Share of fit part photos that each of the two refusal rules may refuse."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the library saw in one labelled picture: enough to fit and to evaluate without looking again."""

    truth: Mapping[str, Any]
    part: str
    none: float
    energy: float
    view: str
    opinion: Mapping[str, float]
    direct: Mapping[str, Estimate]
    geometry: Mapping[str, Outcome]


_network: Network | None = None


def _start(folder: str) -> None:
    global _network  # one session a process: loading it for each picture would cost more than the picture
    _network = Network(ModelFolder.open(folder))


def _see(task: tuple[NDArray[np.uint8], dict[str, Any]]) -> Seen:
    if _network is None:
        raise RuntimeError("the worker was not started with a model")
    return seen_in(_network, *task)


def seen_in(network: Network, image: NDArray[np.uint8], truth: Mapping[str, Any]) -> Seen:
    """What the library sees in one picture, RGB uint8; the part of its label is taken as known."""
    found = examine(look(network, image), part=truth["part"] if truth["part"] in PARTS else None)
    sighting = found.look.sighting
    geometry = {
        name: Measured(value.value, value.low, value.high) if isinstance(value, Measured) else value
        for name, value in found.geometry.items()
    }
    none, energy = sighting.parts["none"], sighting.energy
    return Seen(truth, sighting.part, none, energy, found.view, sighting.grades, found.direct, geometry)


def see(folder: Path, pictures: PictureSet, *, workers: int, progress: bool = True) -> list[Seen]:
    """Examines every picture of a set with a model, in parallel; the part is taken as known."""
    from tqdm import tqdm

    tasks: Iterable[Any] = zip(pictures.images, pictures.truths, strict=True)
    # Spawned, not forked: a fork beside the threads of a runtime already loaded here may wait for ever.
    context = get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_start, initargs=(str(folder),)) as pool:
        results = pool.map(_see, tasks, chunksize=16)
        return list(tqdm(results, total=len(pictures), desc="examining", mininterval=5, disable=not progress))


def fit(seen: list[Seen], *, rate: float = 0.95) -> dict[str, Any]:
    """The block ``calibration`` of a ``model.json``.

    Odd pictures choose how network and geometry are put together and give each measure's reach; even ones give the
    joint factor, so that the conformal step sees nothing that was fitted on its own pictures.

    Args:
        seen: Labelled pictures of designs held out for calibration.
        rate: How often an interval is to hold the truth, jointly over a part's modes.
    """
    entries: dict[str, Any] = {}
    joint: dict[str, float | None] = {}
    for part, spec in PARTS.items():
        own = [item for item in seen if item.truth["part"] == part]
        choosing, scoring = own[1::2], own[0::2]
        each = 1 - (1 - rate) / len(spec.modes)
        worst: dict[int, float] = {}
        for mode in spec.modes:
            key, name = f"{part}.{mode.measure}", mode.measure
            how = _best_blend(choosing, name, _unit(part, name), each)
            chosen, scored = _residuals(choosing, name, how), _residuals(scoring, name, how)
            below, above = _reach(np.array(list(chosen.values())), each)
            for index, residual in scored.items():
                worst[index] = max(worst.get(index, 0.0), residual / above, -residual / below)
            everything = np.array([*chosen.values(), *scored.values()])
            entries[key] = {
                **how,
                **_sureness(choosing, name),
                "below": round(below, 4),
                "above": round(above, 4),
                "examples": len(everything),
                "residuals": [round(float(r), 4) for r in np.quantile(everything, RANKS)] if len(everything) else [],
            }
        joint[part] = _finite(conformal_quantile(np.array(list(worst.values())), rate))
    return {
        "rate": rate,
        "calibrated_on": "rendered",
        "pictures": len(seen),
        "measures": entries,
        "joint": joint,
        "refusal": _refusal(seen),
    }


def _reach(residuals: NDArray[np.float64], rate: float) -> tuple[float, float]:
    """How far under and over the value an interval reaches, in scales, before the joint factor."""
    if len(residuals) == 0:
        return 1.0, 1.0
    low, high = np.quantile(residuals, ((1 - rate) / 2, 1 - (1 - rate) / 2))
    return float(max(-low, LEAST_REACH)), float(max(high, LEAST_REACH))


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


def _unit(part: str, name: str) -> float:
    row = load_limits().row(part, name)
    return row.replace_from or row.clean_from or 1.0


def _best_blend(items: list[Seen], name: str, unit: float, rate: float) -> dict[str, float]:
    """Share of geometry with the smallest error; share of doubt and floor with the narrowest intervals; usual gap.

    Args:
        items: Pictures to choose by.
        name: The measure.
        unit: Its worst limit.
        rate: At which the intervals are compared.
    """
    pairs = [(item, truth) for _, item, truth in _pairs(items, name)]
    if not pairs:
        return {"weight": 0.0, "doubt": 0.0, "floor": 0.0, "usual_gap": 0.0}
    gaps = [
        abs(found.value - item.direct[name].value)
        for item, _ in pairs
        if isinstance(found := item.geometry.get(name), Measured)
    ]
    gap = round(float(np.quantile(gaps, USUAL)), 5) if gaps else 0.0
    truths = np.array([truth for _, truth in pairs])

    def errors(how: Mapping[str, float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        ones = [blend(item.direct[name], item.geometry.get(name), usual_gap=gap, **how) for item, _ in pairs]
        return np.abs(truths - np.array([one.value for one in ones])), np.array([one.scale for one in ones])

    weight = min(WEIGHTS if gaps else (0.0,), key=lambda share: float(errors({"weight": share})[0].mean()))

    def width(how: dict[str, float]) -> float:
        error, scale = errors(how)
        return float(np.quantile(error / scale, rate) * scale.mean())

    ways = [
        {"weight": weight, "doubt": doubt, "floor": round(share * unit, 5)}
        for doubt in (DOUBTS if gaps else (0.0,))
        for share in FLOORS
    ]
    narrowest = min(ways, key=width)
    return narrowest | {"usual_gap": gap}


def _sureness(items: list[Seen], name: str) -> dict[str, float]:
    """Slope and offset that make the network's odds of reaching its levels come true, by logistic regression.

    Nothing, so 1 and 0, where the model tells no levels or the pictures are too few.
    Source: Platt (1999), Probabilistic outputs for support vector machines, over all levels at once.
    """
    from sklearn.linear_model import LogisticRegression

    told = [(item.direct[name], truth) for _, item, truth in _pairs(items, name) if item.direct[name].levels]
    if len(told) < LEAST_TOLD:
        return {}
    reached = np.clip(np.array([one.reached for one, _ in told]), 1e-6, 1 - 1e-6)
    true = np.array([truth >= np.array(one.levels) for one, truth in told])
    if true.all() or not true.any():
        return {}
    fitted = LogisticRegression(C=100.0).fit(np.log(reached / (1 - reached)).reshape(-1, 1), true.ravel())
    slope = float(np.clip(fitted.coef_[0, 0], 0.1, 3.0))
    return {"slope": round(slope, 4), "offset": round(float(fitted.intercept_[0]), 4)}


def _residuals(items: list[Seen], name: str, how: Mapping[str, float]) -> dict[int, float]:
    found = {}
    for index, item, truth in _pairs(items, name):
        joined = blend(item.direct[name], item.geometry.get(name), **how)
        found[index] = (truth - joined.value) / joined.scale
    return found


def _refusal(seen: list[Seen]) -> dict[str, float]:
    parts = [item for item in seen if item.truth["part"] in PARTS]
    return {
        "least_energy": round(float(np.quantile([item.energy for item in parts], REFUSED_SHARE)), 4),
        "most_none": round(float(np.quantile([item.none for item in parts], 1 - REFUSED_SHARE)), 6),
    }


def calibrate(folder: Path, *sets: PictureSet, workers: int) -> None:
    """Fits a model folder's calibration on sets and writes it into its ``model.json``."""
    block = fit([item for pictures in sets for item in see(folder, pictures, workers=workers)])
    path = folder / "model.json"
    record = json.loads(path.read_text("utf-8"))
    record["calibration"] = block
    path.write_text(json.dumps(record, indent=1), "utf-8")
