"""Figures of merit against published values and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import f1_score
from statsmodels.stats.proportion import proportion_confint

from wearvision_training.scores import absolute_error, bootstrap, macro_f1, wilson

PUBLISHED = [
    # Handbook C7.8: Wilson 95 %, as R's binom package gives it in statsmodels' own results.
    (18, 20, 0.698966, 0.972134),
    (4, 20, 0.080658, 0.416017),
    (0, 30, 0.0, 0.113513),
    (30, 30, 0.886487, 1.0),
    (1, 30, 0.005909, 0.166704),
    (190, 200, 0.910422, 0.972617),
    (10, 10, 0.722467, 1.0),  # calculated from the formula, same place
]


@pytest.mark.parametrize(("hits", "trials", "low", "high"), PUBLISHED)
def test_wilson_as_published(hits: int, trials: int, low: float, high: float) -> None:
    assert wilson(hits, trials) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize("trials", [1, 2, 7, 50, 1333])
def test_wilson_as_statsmodels_has_it(trials: int) -> None:
    for hits in {0, 1, trials // 3, trials // 2, trials}:
        assert wilson(hits, trials) == pytest.approx(proportion_confint(hits, trials, method="wilson"), abs=1e-12)


def test_macro_f1_by_hand() -> None:
    """From the definition: F1 of serviceable 2/3, of clean-and-reuse 1/2, of replace 1; their mean 13/18."""
    truth = ["serviceable", "serviceable", "clean-and-reuse", "clean-and-reuse", "replace"]
    said = ["serviceable", "serviceable", "serviceable", "clean-and-reuse", "replace"]
    by_hand = np.mean([2 * 2 / (2 * 2 + 1), 2 * 1 / (2 * 1 + 1), 1.0])
    assert macro_f1(truth, said) == pytest.approx(by_hand)
    assert macro_f1(truth, said) == pytest.approx(f1_score(truth, said, average="macro"))


def test_macro_f1_leaves_out_what_is_neither_true_nor_said() -> None:
    assert macro_f1(["replace", "replace"], ["replace", "replace"]) == 1.0
    assert macro_f1(["replace", "replace"], ["serviceable", "serviceable"]) == 0.0


def test_bootstrap_interval_of_a_mean_is_the_normal_one() -> None:
    """Central limit theorem: mean ± 1.96 standard errors, for 400 normal values."""
    values = np.random.default_rng(1).normal(3.0, 2.0, 400)
    low, high = bootstrap(lambda index: float(values[index].mean()), len(values), rounds=2000)
    error = values.std() / np.sqrt(len(values))
    assert (low, high) == pytest.approx((values.mean() - 1.96 * error, values.mean() + 1.96 * error), abs=0.15 * error)


def test_best_constant_answer_is_the_median() -> None:
    truth = np.array([0.0, 0.1, 0.9])
    ours, constant = absolute_error(truth, np.array([0.1, 0.1, 0.8]))
    assert ours == pytest.approx(0.2 / 3)
    assert constant == pytest.approx(0.9 / 3)
    assert all(np.abs(truth - guess).mean() >= constant for guess in np.linspace(0, 1, 101))
