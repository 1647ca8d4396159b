"""Which labels a small model strongly doubts that was taught without them: confident learning.

Curtis G. Northcutt, Lu Jiang, Isaac L. Chuang, "Confident Learning: Estimating Uncertainty in Dataset Labels", 2021, by
the package cleanlab. A label's probabilities come from a logistic regression on features, fitted without its group.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FOLDS = 5
PENALTIES = (0.001, 0.01, 0.1, 1.0)
"""Inverse strengths of the regression's penalty; the one that foretells labels of other groups best is taken."""
SEED = 7


@dataclass(frozen=True, slots=True)
class Suspect:
    """A doubted label.

    Attributes:
        place: Which of the labels that were looked at.
        quality: Probability of the label itself, 0 to 1: how far it is believed.
        probabilities: Of each level.
    """

    place: int
    quality: float
    probabilities: dict[str, float]


@dataclass(frozen=True, slots=True)
class Searched:
    """What a search came to: suspects, the least believed first; how many labels were looked at, and what was not."""

    suspects: tuple[Suspect, ...]
    of: int
    remarks: tuple[str, ...]


def search(features: NDArray[np.floating], labels: Sequence[str], groups: Sequence[Hashable]) -> Searched:
    """Finds labels that do not fit the features of all others.

    A level is looked at when at least ``FOLDS`` groups have it: with fewer, a model without the group would hardly
    know it. Labels of other levels are neither taught nor doubted.

    Args:
        features: (N, D).
        labels: N levels.
        groups: N groups; no group is divided between what teaches and what is asked.

    Raises:
        ModuleNotFoundError: the extra ``teaching`` is not installed.
        ValueError: unequal lengths.
    """
    if not len(features) == len(labels) == len(groups):
        raise ValueError("as many features, labels and groups")
    met = {level: len({group for one, group in zip(labels, groups, strict=True) if one == level}) for level in labels}
    levels = sorted(level for level, count in met.items() if count >= FOLDS)
    remarks = [
        f"{level}: only {count} group{'' if count == 1 else 's'} of photos, {FOLDS} are needed"
        for level, count in sorted(met.items())
        if count < FOLDS
    ]
    if len(levels) < 2:
        reason = "fewer than two grades have enough groups of photos to learn from"
        return Searched((), 0, (*remarks, reason))
    from cleanlab.filter import find_label_issues  # seconds to load, so only where there is something to find

    kept = [place for place, label in enumerate(labels) if label in levels]
    given = np.array([levels.index(labels[place]) for place in kept])
    named = {group: number for number, group in enumerate(dict.fromkeys(groups))}
    numbers = np.array([named[groups[place]] for place in kept])
    chances = foretold(np.asarray(features, np.float64)[kept], given, numbers)
    # Both ways of the package must agree: a person's second look costs more than a label left in doubt.
    doubted = np.flatnonzero(find_label_issues(given, chances, filter_by="both", n_jobs=1))
    found = [
        Suspect(
            kept[place],
            float(chances[place, given[place]]),
            {level: float(chance) for level, chance in zip(levels, chances[place], strict=True)},
        )
        for place in doubted
    ]
    return Searched(tuple(sorted(found, key=lambda one: (one.quality, one.place))), len(kept), tuple(remarks))


def foretold(features: NDArray[np.float64], given: NDArray[np.int64], groups: NDArray[np.int64]) -> NDArray[np.float64]:
    """(N, K) probabilities of each level for each label, from models fitted without the label's group.

    Args:
        features: (N, D).
        given: (N,) levels from 0 to K - 1, each in at least ``FOLDS`` groups.
        groups: (N,).
    """
    from sklearn.linear_model import LogisticRegression
    from sklearn.metrics import log_loss
    from sklearn.model_selection import StratifiedGroupKFold
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    size = int(given.max()) + 1
    folds = list(StratifiedGroupKFold(FOLDS, shuffle=True, random_state=SEED).split(features, given, groups))
    best: tuple[float, NDArray[np.float64]] | None = None
    for penalty in PENALTIES:
        chances = np.full((len(given), size), 1e-9)
        for taught, asked in folds:
            model = make_pipeline(StandardScaler(), LogisticRegression(C=penalty, max_iter=2000))
            model.fit(features[taught], given[taught])
            chances[np.ix_(asked, model.classes_)] += model.predict_proba(features[asked])
        chances /= chances.sum(1, keepdims=True)
        loss = float(log_loss(given, chances, labels=list(range(size))))
        if best is None or loss < best[0]:
            best = loss, chances
    if best is None:
        raise ValueError("no penalty to try")
    return best[1]
