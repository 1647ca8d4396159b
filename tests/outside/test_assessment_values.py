"""The report's statistics against published values, closed forms and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import mannwhitneyu
from sklearn.metrics import brier_score_loss, f1_score, roc_auc_score
from statsmodels.stats.contingency_tables import mcnemar as reference_mcnemar
from statsmodels.stats.proportion import proportion_confint

from wearvision.standard.grades import GRADES
from wearvision_training.assessment.changes import exposed
from wearvision_training.assessment.intervals import SAID, f1, f1_of_counts, mcnemar, mean, rare, share
from wearvision_training.assessment.refusal import _figures, separation
from wearvision_training.assessment.reliability import bins, brier, expected_calibration_error


@pytest.mark.parametrize("trials", [1, 3, 100, 600])
def test_upper_bound_of_no_hit_is_its_closed_form(trials: int) -> None:
    """Clopper and Pearson (1934): for no hit the one-sided bound solves (1 - p)^n = 0.05."""
    assert rare(0, trials)["upper"] == pytest.approx(1 - 0.05 ** (1 / trials), abs=1e-12)


@pytest.mark.parametrize(("hits", "trials"), [(1, 10), (3, 600), (9, 10), (10, 10)])
def test_upper_bound_as_statsmodels_has_it(hits: int, trials: int) -> None:
    """A one-sided 95 % bound is the upper end of the two-sided 90 % interval."""
    assert rare(hits, trials)["upper"] == pytest.approx(proportion_confint(hits, trials, 0.1, "beta")[1], abs=1e-9)


def test_shares_carry_the_wilson_interval() -> None:
    found = share(190, 200)
    assert (found["low"], found["high"]) == pytest.approx(proportion_confint(190, 200, method="wilson"), abs=1e-12)


@pytest.mark.parametrize(
    ("first", "second", "p"),
    [
        (121, 59, 4.43e-6),  # handbook C7.9, calculated from the binomial
        (6, 16, 0.052479),  # the same place
        (0, 0, 1.0),
        (5, 5, 1.0),
    ],
)
def test_mcnemar_is_exact(first: int, second: int, p: float) -> None:
    assert mcnemar(first, second) == pytest.approx(p, rel=2e-3)
    if first + second:
        table = np.array([[50, first], [second, 50]])
        assert mcnemar(first, second) == pytest.approx(reference_mcnemar(table, exact=True).pvalue, rel=1e-9)


def test_brier_is_twice_the_two_class_form() -> None:
    """Handbook C7.10: y 0, 1, 1, 0 and p .1, .9, .8, .3 give 0.0375, as in scikit-learn's own documentation."""
    truth, p = np.array([0, 1, 1, 0]), np.array([0.1, 0.9, 0.8, 0.3])
    ours = brier(np.column_stack([1 - p, p]), truth).mean()
    assert ours == pytest.approx(2 * 0.0375)
    assert ours == pytest.approx(2 * brier_score_loss(truth, p))


def test_brier_of_three_classes_by_hand() -> None:
    assert brier(np.array([[0.7, 0.2, 0.1], [0.0, 0.0, 1.0]]), np.array([0, 1])) == pytest.approx([0.14, 2.0])


def test_calibration_error_as_published() -> None:
    """Handbook C7.11: two bins, confidences .25 .25 .55 .75 .75 with hits 0 0 1 1 1 give 0.29."""
    found = bins(np.array([0.25, 0.25, 0.55, 0.75, 0.75]), np.array([0, 0, 1, 1, 1], bool), 2)
    assert expected_calibration_error(found) == pytest.approx(0.29)


def test_calibration_error_of_the_likeliest_class() -> None:
    """Handbook C7.12: 20 at .95 (18 right), 20 at .75 (12 right), 10 at .55 (6 right) give 0.09."""
    confidence = np.repeat([0.95, 0.75, 0.55], [20, 20, 10])
    hit = np.repeat([True, False, True, False, True, False], [18, 2, 12, 8, 6, 4])
    assert expected_calibration_error(bins(confidence, hit)) == pytest.approx(0.09)


def test_macro_f1_of_counts_is_that_of_scikit_learn() -> None:
    rng = np.random.default_rng(0)
    for _ in range(5):
        truth, said = rng.choice(GRADES, 30), rng.choice(SAID, 30)
        counts = np.array([[((truth == a) & (said == b)).sum() for b in SAID] for a in SAID])
        expected = f1_score(truth, said, labels=list(GRADES), average="macro")
        assert f1_of_counts(counts) == pytest.approx(expected)


def test_interval_of_macro_f1_is_that_of_drawing_pictures_anew() -> None:
    """The bootstrap by definition: pictures drawn with replacement, scored by scikit-learn."""
    rng = np.random.default_rng(1)
    truth = rng.choice(GRADES, 120)
    said = np.where(rng.random(120) < 0.8, truth, rng.choice(GRADES, 120))
    drawn = [
        f1_score(truth[i], said[i], average="macro") for i in (rng.integers(0, 120, 120) for _ in range(400))
    ]
    found = f1(list(truth), list(said))
    assert (found["low"], found["high"]) == pytest.approx(np.quantile(drawn, (0.025, 0.975)), abs=0.025)


def test_interval_of_a_mean_is_the_normal_one() -> None:
    """Central limit theorem: mean ± 1.96 standard errors, for 400 normal values."""
    values = np.random.default_rng(2).normal(1.0, 0.5, 400)
    found, reach = mean(values), 1.96 * values.std() / 20
    assert (found["low"], found["high"]) == pytest.approx((values.mean() - reach, values.mean() + reach), abs=0.006)


def test_auroc_is_the_chance_of_the_right_order() -> None:
    """Mann and Whitney (1947): AUROC is U over the number of pairs."""
    rng = np.random.default_rng(3)
    foreign = np.arange(60) >= 40
    values = rng.normal(0, 1, 60) + foreign
    found = _figures(foreign, values)["auroc"]
    pairs = mannwhitneyu(values[foreign], values[~foreign]).statistic / (20 * 40)
    assert found["value"] == pytest.approx(pairs)
    assert found["value"] == pytest.approx(roc_auc_score(foreign, values))
    assert found["low"] < found["value"] < found["high"]


def test_share_caught_by_hand() -> None:
    """With 100 known pictures one may be lost: the threshold lies under the second largest of them."""
    foreign = np.r_[np.zeros(100, bool), np.ones(4, bool)]
    values = np.r_[np.linspace(0, 1, 100), 2.0, 0.995, 0.5, 0.4]
    assert separation(foreign, values)[1] == pytest.approx(0.5)
    assert separation(foreign, np.ones(104)) == (0.5, 0.0)


def test_one_stop_doubles_linear_light() -> None:
    """IEC 61966-2-1 by hand: code 128 is 0.21586 of white, twice that is code 176, half of it code 92."""
    grey = np.full((2, 2, 3), 128, np.uint8)
    assert np.unique(exposed(grey, 1.0)).tolist() == [176]
    assert np.unique(exposed(grey, -1.0)).tolist() == [92]
    assert exposed(np.array([[[0, 255, 200]]], np.uint8), 1.0).tolist() == [[[0, 255, 255]]]
