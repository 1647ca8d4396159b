"""Compares scores for *not a part, or none that is known*: which tells things that are no part from parts best."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.covariance import LedoitWolf
from sklearn.metrics import auc, roc_curve

from wearvision.look import look
from wearvision.network import ModelFolder, Network
from wearvision.parts import PARTS
from wearvision_training.dataset import PictureSet

REFUSED = 0.01
"""Share of parts that may be refused."""
ROUNDS = 500
LEAST = 4
"""Pictures of parts of a class to take its middle from."""

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Glance:
    """What the network gives for one picture, at the look that grading judges.

    Attributes:
        label: True part and view, ``"none"`` for what is no part.
        parts: Probability of each part and of ``"none"``.
        energy: Log-sum-exp of all part outputs.
        features: (D,) what the network's heads work on.
    """

    label: str
    parts: Mapping[str, float]
    energy: float
    features: NDArray[np.float32]

    @property
    def known(self) -> bool:
        """Whether a registered part is shown."""
        return self.label != "none"


_network: Network | None = None


def _start(folder: str) -> None:
    global _network  # one session a process
    _network = Network(ModelFolder.open(folder))


def _glance(image: NDArray[np.uint8]) -> tuple[dict[str, float], float, NDArray[np.float32]]:
    if _network is None:
        raise RuntimeError("the worker was not started with a model")
    seen = look(_network, image)
    return dict(seen.sighting.parts), seen.sighting.energy, _network.features(seen.square)


def look_at(folder: Path, pictures: PictureSet, *, workers: int) -> list[Glance]:
    """Looks at every picture of a set with a model."""
    from tqdm import tqdm

    context = get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_start, initargs=(str(folder),)) as pool:
        found = list(tqdm(pool.map(_glance, pictures.images, chunksize=16), total=len(pictures), desc="looking"))
    labels = [f"{t['part']} {t['view']}" if t["part"] in PARTS else "none" for t in pictures.truths]
    return [Glance(label, *row) for label, row in zip(labels, found, strict=True)]


def compare_scores(glances: Sequence[Glance]) -> dict[str, Any]:
    """AUROC of each score, and the share of non-parts refused where 1 % of parts are, with bootstrap intervals.

    Half of the parts fits what needs fitting (middles and spread of the features, ranks); every score is judged on
    the other half and on all non-parts, which none was fitted on.

    Raises:
        ValueError: fewer than two non-parts, or too few parts to fit and to judge by.
    """
    known = [glance for glance in glances if glance.known]
    others = [glance for glance in glances if not glance.known]
    fitting, judging = known[1::2], known[0::2]
    if len(others) < 2 or len(fitting) < LEAST:
        raise ValueError(f"the set has {len(known)} parts and {len(others)} non-parts; too few to compare scores by.")
    foreign = np.r_[np.zeros(len(judging), bool), np.ones(len(others), bool)]
    scores = {name: score([*judging, *others]) for name, score in scores_of(fitting).items()}
    return {
        "parts": len(judging),
        "non_parts": len(others),
        "fitted_on": len(fitting),
        "scores": {name: _figures(foreign, values) for name, values in scores.items()},
    }


def scores_of(fitting: Sequence[Glance]) -> dict[str, Callable[[Sequence[Glance]], Array]]:
    """Each score by its name; all grow with how foreign a picture is.

    Args:
        fitting: Pictures of parts, for the scores that need some.
    """
    nearest, spread = _distances(fitting)
    none, energy = _none(fitting), _energy(fitting)
    return {
        "probability of none": _none,
        "energy of all outputs": _energy,
        "energy of the parts' outputs": _part_energy,
        "largest probability of a part": lambda some: np.array([1 - _largest(glance) for glance in some]),
        "none or energy, whichever is rarer among parts": lambda some: np.maximum(
            _rank(none, _none(some)), _rank(energy, _energy(some))
        ),
        "distance of features to the nearest middle": nearest,
        "the same, by Mahalanobis": spread,
    }


def _none(glances: Sequence[Glance]) -> Array:
    return np.array([glance.parts["none"] for glance in glances])


def _energy(glances: Sequence[Glance]) -> Array:
    return -np.array([glance.energy for glance in glances])


def _part_energy(glances: Sequence[Glance]) -> Array:
    """As ``_energy`` without the output for none: a softmax share is taken off again by its logarithm."""
    shares = np.array([sum(value for name, value in glance.parts.items() if name != "none") for glance in glances])
    return np.asarray(_energy(glances) - np.log(np.maximum(shares, 1e-300)))


def _largest(glance: Glance) -> float:
    return max(value for name, value in glance.parts.items() if name != "none")


def _rank(known: Array, values: Array) -> Array:
    """Share of the known values that are smaller, going on growing slowly beyond the largest."""
    ordered = np.sort(known)
    beyond = np.maximum(values - ordered[-1], 0.0)
    return np.asarray(np.searchsorted(ordered, values) / len(ordered) + beyond / (1 + beyond) / len(ordered))


def _distances(
    fitting: Sequence[Glance],
) -> tuple[Callable[[Sequence[Glance]], Array], Callable[[Sequence[Glance]], Array]]:
    """Distance of the features to the nearest middle of a part's view: plain, and by the spread about the middles.

    Source: Lee and others, "A Simple Unified Framework for Detecting Out-of-Distribution Samples" (2018), with the
    covariance shrunk as Ledoit and Wolf (2004) do, since there are more features than pictures; in units of each
    feature's own spread, so that the shrinking does not drown small ones.
    """
    features = _features(fitting)
    labels = np.array([glance.label for glance in fitting])
    names = [name for name in np.unique(labels) if (labels == name).sum() >= LEAST] or list(np.unique(labels))
    middles = np.stack([features[labels == name].mean(0) for name in names])
    used = np.isin(labels, names)
    apart = features[used] - middles[[names.index(name) for name in labels[used]]]
    unit = np.maximum(apart.std(0), 1e-9)
    precision = np.asarray(LedoitWolf(assume_centered=True).fit(apart / unit).precision_)

    def plain(some: Sequence[Glance]) -> Array:
        return np.asarray(np.linalg.norm(_features(some)[:, None] - middles, axis=2).min(1))

    def spread(some: Sequence[Glance]) -> Array:
        away = (_features(some)[:, None] - middles) / unit
        return np.asarray(np.sqrt(np.einsum("nkd,de,nke->nk", away, precision, away, optimize=True)).min(1))

    return plain, spread


def _features(glances: Sequence[Glance]) -> Array:
    return np.stack([glance.features for glance in glances]).astype(np.float64)


def separation(foreign: NDArray[np.bool_], values: Array, refused: float = REFUSED) -> tuple[float, float]:
    """AUROC, and the share of foreign pictures refused by the threshold that refuses at most ``refused`` of others."""
    lost, found, _ = roc_curve(foreign, values, drop_intermediate=False)
    return float(auc(lost, found)), float(found[lost <= refused].max())


def _figures(foreign: NDArray[np.bool_], values: Array) -> dict[str, Any]:
    """Both figures with intervals from resampling parts and non-parts each among themselves."""
    rng = np.random.default_rng(7)
    groups = [np.flatnonzero(foreign == side) for side in (False, True)]
    drawn = []
    for _ in range(ROUNDS):
        index = np.concatenate([rng.choice(group, len(group)) for group in groups])
        drawn.append(separation(foreign[index], values[index]))
    low, high = np.quantile(np.array(drawn), (0.025, 0.975), axis=0)
    return {
        name: {"value": value, "low": float(low[at]), "high": float(high[at])}
        for at, (name, value) in enumerate(
            zip(("auroc", "refused_at_1_percent"), separation(foreign, values), strict=True)
        )
    }


def refusal_table(figures: Mapping[str, Any]) -> str:
    """The comparison as lines a person can read."""
    lines = [
        f"{figures['parts']} parts, {figures['non_parts']} non-parts; fitted on {figures['fitted_on']} other parts",
        f"{'score':48s} {'AUROC':>24s} {'refused at 1 % of parts':>28s}",
    ]
    for name, row in figures["scores"].items():
        auroc, share = (
            f"{one['value']:.4f} [{one['low']:.4f}, {one['high']:.4f}]"
            for one in (row["auroc"], row["refused_at_1_percent"])
        )
        lines.append(f"{name:48s} {auroc:>24s} {share:>28s}")
    return "\n".join(lines)
