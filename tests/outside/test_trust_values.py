"""Shares, intervals and drift tests against published values and reference libraries.

Wilson's interval: handbook C7.8 (seen, R's binom in statsmodels' results; 10/10 calculated) and statsmodels. The
weighted ratio and its variance: statsmodels' weighted statistics and a stratified formula worked by hand (Cochran,
Sampling Techniques; from memory). Kolmogorov-Smirnov: the two-sample table's values (from memory) and counting all
arrangements. The exact test over strata: SciPy's Fisher test and statsmodels' StratifiedTable. HKDF: RFC 5869, case 3.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from scipy.stats import fisher_exact
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from wearvision_api.trust import drift
from wearvision_api.trust.shares import Class, share, wilson

C7_8 = [
    (18, 20, 0.698966, 0.972134),
    (4, 20, 0.080658, 0.416017),
    (0, 30, 0.0, 0.113513),
    (30, 30, 0.886487, 1.0),
    (1, 30, 0.005909, 0.166704),
    (190, 200, 0.910422, 0.972617),
    (10, 10, 0.722467, 1.0),
]


@pytest.mark.parametrize(("held", "of", "low", "high"), C7_8)
def test_wilson_interval_of_the_handbook(held: int, of: int, low: float, high: float) -> None:
    found = share([Class(1.0, of, of, held)])
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-6)
    assert (found.low, found.high) == pytest.approx(proportion_confint(held, of, method="wilson"), abs=1e-12)


def test_wilson_interval_of_a_size_that_is_not_whole() -> None:
    assert wilson(0.9, 37.5) == pytest.approx(proportion_confint(0.9 * 37.5, 37.5, method="wilson"), abs=1e-12)


def test_weighted_share_is_that_of_the_reference_library() -> None:
    """Every answered check as a row with its weight 1 / (chance × share of its class that came back)."""
    classes = [Class(1.0, 44, 40, 28), Class(0.2, 30, 20, 19), Class(0.1, 12, 6, 6)]
    values, weights = [], []
    for one in classes:
        values += [1.0] * one.held + [0.0] * (one.answered - one.held)
        weights += [one.asked / (one.chance * one.answered)] * one.answered
    assert share(classes).value == pytest.approx(DescrStatsW(values, weights).mean, abs=1e-12)


def test_effective_size_is_that_of_the_stratified_variance() -> None:
    """Two strata, weights 0.3 and 0.7, 41 of 58 and 61 of 78: with one of each kind added 42/60 and 62/80.

    Variance 0.09 · 0.7 · 0.3 / 58 + 0.49 · 0.775 · 0.225 / 78, mean 0.7525; size 0.7525 · 0.2475 / variance.
    """
    classes = [Class(0.5, 58, 58, 41), Class(78 * 3 / (7 * 116), 78, 78, 61)]
    assert [one.weight for one in classes] == pytest.approx([116, 116 * 7 / 3])
    variance = 0.09 * 0.7 * 0.3 / 58 + 0.49 * 0.775 * 0.225 / 78
    assert share(classes).effective == pytest.approx(0.7525 * 0.2475 / variance)


@pytest.mark.parametrize(("n", "d", "p"), [(10, 7, 0.0123), (10, 6, 0.0524), (15, 8, 0.0262), (20, 9, 0.0335)])
def test_two_sample_smirnov_of_equal_samples(n: int, d: int, p: float) -> None:
    """Exact p at the greatest distance d / n of two samples of n (tables of the two-sample test; from memory).

    One sample lies d places behind the other.
    """
    first = list(range(n))
    newest = [value + d - 0.5 for value in first]
    assert drift.smirnov(first, newest) == pytest.approx(p, abs=5e-5)


def test_two_sample_smirnov_by_all_arrangements() -> None:
    first, newest = [0.1, 0.4, 0.7, 1.1], [0.9, 1.3, 1.5, 2.0, 2.2]
    pooled = np.array([*first, *newest])

    def distance(chosen: tuple[int, ...]) -> float:
        inside = np.isin(np.arange(len(pooled)), chosen)[np.argsort(pooled)]
        return float(np.abs(np.cumsum(inside) / len(first) - np.cumsum(~inside) / len(newest)).max())

    seen = distance((0, 1, 2, 3))
    ways = [distance(chosen) for chosen in itertools.combinations(range(len(pooled)), len(first))]
    assert drift.smirnov(first, newest) == pytest.approx(np.mean([way >= seen - 1e-12 for way in ways]))


@pytest.mark.parametrize("counts", [(96, 100, 40, 50), (18, 20, 9, 20), (3, 30, 0, 12), (30, 30, 20, 25)])
def test_one_stratum_is_fishers_exact_test(counts: tuple[int, int, int, int]) -> None:
    before, of, after, out_of = counts
    table = [[after, out_of - after], [before, of - before]]
    for side in ("less", "greater"):
        assert drift.stratified([counts], side) == pytest.approx(fisher_exact(table, side).pvalue)


def test_many_strata_agree_with_mantel_and_haenszel() -> None:
    """Their test is the normal approximation, two-sided, with continuity correction."""
    strata = [(180, 200, 150, 190), (90, 150, 70, 140), (240, 250, 180, 200)]
    tables = [[[after, out_of - after], [before, of - before]] for before, of, after, out_of in strata]
    reference = StratifiedTable([np.array(one, float) for one in tables]).test_null_odds(correction=True).pvalue
    assert 2 * drift.stratified(strata, "less") == pytest.approx(reference, rel=0.15)
    assert reference < 0.001


def test_secret_is_derived_as_the_standard_says() -> None:
    """RFC 5869, appendix A.3: no salt, no purpose; from memory."""
    found = HKDF(SHA256(), 42, salt=None, info=b"").derive(bytes.fromhex("0b" * 22))
    assert found.hex().startswith("8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d")
