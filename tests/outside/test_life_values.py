"""Life figures against published worked examples (handbook, section 7), SciPy and statsmodels.

SEEN, MEM and CALC beside a value are the handbook's marks: read in the source, from memory, computed independently.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize, minimize_scalar
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from wearvision_api.figures import (
    Bounds,
    Fit,
    Life,
    LotCount,
    compare_rates,
    compare_shares,
    kaplan_meier,
    turnbull,
    weibull,
)
from wearvision_api.figures.lots import count_intervals, holm, share_interval


def lives(failed: list[float], running: list[float]) -> list[Life]:
    return [Life(time, time) for time in failed] + [Life(time, None) for time in running]


FANS_FAILED: list[float] = [450, 1150, 1150, 1600, 2070, 2070, 2080, 3100, 3450, 4600, 6100, 8750]
FANS_RUNNING = {
    460: 1, 1560: 1, 1660: 1, 1850: 5, 2030: 3, 2200: 1, 3000: 4, 3200: 1, 3750: 2, 4150: 4, 4300: 4, 4850: 4, 5000: 3,
    6100: 3, 6300: 1, 6450: 2, 6700: 1, 7450: 1, 7800: 2, 8100: 2, 8200: 1, 8500: 3, 8750: 2, 9400: 1, 9900: 1,
    10100: 3, 11500: 1,
}  # fmt: skip
WEIBULL = {
    # C7.17 NIST/SEMATECH e-Handbook 8.4.1, 20 units to 500 h: values MEM=CALC.
    "nist": (lives([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], [500] * 10), 1.7208, 606.53, 5e-5, 5e-3),
    # C7.18 Kececioglu's data in ReliaWiki "Weibull Parameter Estimation" (SEEN); maximum likelihood fit MEM=CALC.
    "kececioglu": (lives([16, 34, 53, 75, 93, 120], []), 1.933, 73.53, 5e-4, 5e-3),
    # C7.19 Nelson's fans in SAS/QC "Analysis of Right-Censored Data from a Single Population" (SEEN); fit MEM=CALC.
    "fans": (
        [Life(time, time) for time in FANS_FAILED] + [Life(time, None, count) for time, count in FANS_RUNNING.items()],
        1.0584, 26297, 5e-5, 0.5,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WEIBULL)
def test_weibull_published(name: str) -> None:
    data, shape, scale, shape_within, scale_within = WEIBULL[name]
    found = weibull(data)
    assert isinstance(found, Fit)
    assert found.shape.value == pytest.approx(shape, abs=shape_within)
    assert found.scale.value == pytest.approx(scale, abs=scale_within)


def test_weibull_of_fans_counts_all_of_them() -> None:
    """70 fans, 12 of them failed (C7.19, SEEN)."""
    found = weibull(WEIBULL["fans"][0])
    assert isinstance(found, Fit)
    assert (found.failures, found.running, found.last) == (12, 58, 11500)


def test_rank_regression_and_likelihood_differ_on_the_same_data() -> None:
    """C7.18 gives 1.430 by rank regression on Y (MEM=CALC): the intervals here must hold both answers."""
    times = np.array([16.0, 34, 53, 75, 93, 120])
    ranks = stats.beta.median(np.arange(1, 7), np.arange(6, 0, -1))
    assert ranks == pytest.approx([0.1091, 0.2645, 0.4214, 0.5786, 0.7355, 0.8909], abs=6e-5)  # SEEN there
    line = stats.linregress(np.log(times), np.log(-np.log(1 - ranks)))
    scale = np.exp(-line.intercept / line.slope)
    assert (line.slope, scale, line.rvalue) == pytest.approx((1.430, 76.32, 0.9956), abs=6e-3)
    assert np.exp(-((15 / scale) ** line.slope)) == pytest.approx(0.907, abs=5e-4)
    found = weibull(lives(list(times), []))
    assert isinstance(found, Fit)
    assert found.shape.low is not None
    assert found.shape.high is not None
    assert found.shape.low < line.slope < found.shape.high


def _drawn(seed: int, kind: str) -> tuple[list[Life], stats.CensoredData]:
    chance = np.random.default_rng(seed)
    true = 800 * chance.weibull(2.2, 60)
    seen = chance.uniform(200, 1500, 60)
    if kind == "right":
        failed = true <= seen
        ours = [Life(t, t) if f else Life(s, None) for t, s, f in zip(true, seen, failed, strict=True)]
        return ours, stats.CensoredData(uncensored=true[failed], right=seen[~failed])
    low = np.floor(true / 250) * 250
    late = low >= 1000
    ours = [Life(1000, None) if one else Life(a, a + 250) for a, one in zip(low, late, strict=True)]
    pairs = np.column_stack([low, low + 250])[~late]
    return ours, stats.CensoredData(
        interval=pairs[pairs[:, 0] > 0], left=pairs[pairs[:, 0] == 0][:, 1], right=np.full(late.sum(), 1000.0)
    )


@pytest.mark.parametrize("kind", ["right", "interval"])
@pytest.mark.parametrize("seed", range(2))
def test_weibull_agrees_with_scipy(kind: str, seed: int) -> None:
    """``scipy.stats.weibull_min.fit`` on ``CensoredData``: right-, left- and interval-censored."""
    ours, theirs = _drawn(seed, kind)
    found = weibull(ours)
    with np.errstate(divide="ignore"):  # SciPy tries places where an interval's chance underflows
        shape, _, scale = stats.weibull_min.fit(theirs, floc=0)
    assert isinstance(found, Fit)
    assert (found.shape.value, found.scale.value) == pytest.approx((shape, scale), rel=2e-4)
    assert found.b10.value == pytest.approx(stats.weibull_min.ppf(0.1, shape, scale=scale), rel=4e-4)
    assert found.survival(500) == pytest.approx(stats.weibull_min.sf(500, shape, scale=scale), rel=1e-3)


@pytest.mark.parametrize("kind", ["right", "interval"])
def test_weibull_interval_ends_lie_where_the_likelihood_ratio_says(kind: str) -> None:
    """At each end the highest likelihood with that parameter held lies chi-squared(1, 95 %) / 2 below the maximum.

    The likelihood is put together here from SciPy's distribution, and maximised by its general optimiser.
    """
    ours, _ = _drawn(9, kind)
    found = weibull(ours)
    assert isinstance(found, Fit)

    def likelihood(shape: float, scale: float) -> float:
        one = stats.weibull_min(shape, scale=scale)
        total = 0.0
        for life in ours:
            if life.high is None:
                total += one.logsf(life.low)
            elif life.exact:
                total += one.logpdf(life.low)
            else:
                total += np.log(max(one.sf(life.low) - one.sf(life.high), 1e-300))
        return float(total)

    def highest(at: Callable[[float], tuple[float, float]]) -> float:
        grown = minimize_scalar(lambda log: -likelihood(*at(np.exp(log))), bracket=(-0.05, 0.05))
        return float(-grown.fun)

    shape, scale = found.shape.value, found.scale.value
    cut = likelihood(shape, scale) - stats.chi2.ppf(0.95, 1) / 2
    tenth = (-np.log(0.9)) ** -1.0
    holds: list[tuple[Bounds, Callable[[float], Callable[[float], tuple[float, float]]]]] = [
        (found.shape, lambda held: lambda free: (held, scale * free)),
        (found.scale, lambda held: lambda free: (shape * free, held)),
        (found.b10, lambda held: lambda free: (shape * free, held * tenth ** (1 / (shape * free)))),
    ]
    for bounds, hold in holds:
        assert bounds.low is not None
        assert bounds.high is not None
        assert bounds.low < bounds.value < bounds.high
        assert [highest(hold(end)) for end in (bounds.low, bounds.high)] == pytest.approx([cut, cut], abs=1e-4)


KAPLAN_MEIER = {
    # C7.20 ten fan belts, thousand miles: SEEN in SciPy's documentation of ecdf, after Conover, p. 91.
    "belts": ([77, 47, 81, 56, 80], [62, 60, 43, 71, 37], [0.875, 0.75, 0.5, 0.25, 0]),
    # C7.21 Bewick, Cheek and Ball, Critical Care 2004, 8:389, table 2 (SEEN).
    "bewick": ([1, 1, 4, 5, 9, 22], [6, 9], [0.750, 0.625, 0.500, 0.333, 0]),
    # C7.22 6-MP arm, introductory biostatistics text, example 11.1 (data SEEN, values MEM=CALC).
    "6-mp": (
        [6, 6, 6, 7, 10, 13, 16, 22, 23],
        [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35],
        [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482],
    ),
}
PLACEBO: list[float] = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
"""Placebo arm of the same trial (from memory)."""


@pytest.mark.parametrize("name", KAPLAN_MEIER)
def test_kaplan_meier_published(name: str) -> None:
    failed, running, shares = KAPLAN_MEIER[name]
    curve = kaplan_meier(lives([*map(float, failed)], [*map(float, running)]))
    got = [step.survival for step in curve.steps]
    if name == "bewick":  # two who fail at 9 and 22 while one still ran at 9
        assert len(got) == 5
    assert got == pytest.approx(shares, abs=6e-4 if name == "bewick" else 5e-5)


def test_kaplan_meier_placebo_arm() -> None:
    """C7.22: S(10) = 8/21 = .381, standard error .106 (SEEN, lecture notes after Cox and Oakes)."""
    curve = kaplan_meier(lives(PLACEBO, []))
    assert curve.at(10) == pytest.approx(8 / 21, rel=1e-12)
    step = next(one for one in reversed(curve.steps) if one.time <= 10)
    assert step.low is not None
    # The error on the log-minus-log scale, taken back to the share's own, is Greenwood's.
    reach = np.log(np.log(step.low) / np.log(step.survival)) / stats.norm.ppf(0.975)
    assert reach * step.survival * abs(np.log(step.survival)) == pytest.approx(0.106, abs=5e-4)


@pytest.mark.parametrize("seed", range(5))
def test_kaplan_meier_agrees_with_scipy(seed: int) -> None:
    """``scipy.stats.ecdf`` with its log-log interval, ties and all."""
    chance = np.random.default_rng(seed)
    times, failed = chance.integers(1, 15, 40).astype(float), chance.random(40) < 0.6
    times[times.argmax()], failed[times.argmax()] = 20, False  # SciPy warns where the share falls to 0
    curve = kaplan_meier([Life(t, t) if f else Life(t, None) for t, f in zip(times, failed, strict=True)])
    other = stats.ecdf(stats.CensoredData.right_censored(times, ~failed)).sf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # before the first failure it has no interval, and says so
        ends = other.confidence_interval(0.95, method="log-log")
    at = np.searchsorted(other.quantiles, [step.time for step in curve.steps])
    assert [step.survival for step in curve.steps] == pytest.approx(other.probabilities[at], rel=1e-12)
    assert [step.low for step in curve.steps] == pytest.approx(ends.low.probabilities[at], rel=1e-9)
    assert [step.high for step in curve.steps] == pytest.approx(ends.high.probabilities[at], rel=1e-9)


COSMESIS = """45- 6-10 0-7 46- 46- 7-16 17- 7-14 37-44 0-8 4-11 15- 11-15 22- 46- 46- 25-37 46- 26-40 46- 27-34 36-44
46- 36-48 37- 40- 17-25 46- 11-18 38- 5-12 37- 0-5 18- 24- 36- 5-11 19-35 17-25 24- 32- 33- 19-26 37- 34- 36-"""
"""Months to breast retraction after radiotherapy alone, 46 patients: Finkelstein and Wolfe, 1985 (from memory)."""


def test_turnbull_on_the_cosmesis_data() -> None:
    """Against the same likelihood maximised by SciPy's general optimiser over all masses (no self-consistency)."""
    rows = [row.split("-") for row in COSMESIS.split()]
    ours = [Life(float(low), float(high) if high else None) for low, high in rows]
    curve = turnbull(ours)
    assert (curve.parts, curve.failures) == (46, 21)
    # Turnbull's intervals of these data: (4,5] (6,7] (7,8] (11,12] (24,25] (33,34] (38,40] (46,48]; from memory.
    assert [(step.since, step.time) for step in curve.steps] == [
        (4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48),
    ]  # fmt: skip
    spans = np.array([(step.since, step.time) for step in curve.steps])
    low = np.array([one.low for one in ours])[:, None]
    high = np.array([np.inf if one.high is None else one.high for one in ours])[:, None]
    held = ((spans[:, 0] >= low) & (spans[:, 1] <= high)).astype(float)

    def less(free: np.ndarray) -> float:
        mass = np.exp(free - free.max())
        return float(-np.log(held @ (mass / mass.sum())).sum())

    best = minimize(less, np.zeros(len(spans)), method="BFGS", options={"gtol": 1e-7})
    mass = np.exp(best.x - best.x.max())
    drops = -np.diff([1.0, *(step.survival for step in curve.steps)])
    assert drops == pytest.approx(mass / mass.sum(), abs=1e-4)
    # Published masses .0463 .0334 .0887 .0708 .0926 .0818 .1209 .4656 (R package interval, from memory).
    assert drops == pytest.approx([0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656], abs=2e-4)


@pytest.mark.parametrize(
    ("found", "of", "ends"),
    [
        (18, 20, (0.698966, 0.972134)),
        (4, 20, (0.080658, 0.416017)),
        (0, 30, (0, 0.113513)),
        (30, 30, (0.886487, 1)),
        (1, 30, (0.005909, 0.166704)),
        (190, 200, (0.910422, 0.972617)),
    ],
)
def test_wilson_interval_published(found: int, of: int, ends: tuple[float, float]) -> None:
    """C7.8: R binom values in statsmodels' results (SEEN); and statsmodels itself."""
    assert share_interval(found, of) == pytest.approx(ends, abs=1e-6)
    assert share_interval(found, of) == pytest.approx(proportion_confint(found, of, method="wilson"), abs=1e-12)


@pytest.mark.parametrize("found", [0, 1, 5, 40])
def test_count_interval_agrees_with_statsmodels(found: int) -> None:
    low, high = confint_poisson(found, 1, method="exact-c")
    ours = [float(end[0]) for end in count_intervals(np.array([found]))]
    assert ours == pytest.approx([0.0 if found == 0 else low, high], rel=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_corrections_agree_with_statsmodels(seed: int) -> None:
    """Holm and Benjamini-Hochberg, ties included."""
    chance = np.random.default_rng(seed)
    lots = [LotCount(f"{k}", int(chance.integers(0, 9)), 40) for k in range(12)]
    figures = compare_shares(lots)
    p = np.array([one.p for one in figures])
    assert [one.p_holm for one in figures] == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)
    assert [one.p_bh for one in figures] == pytest.approx(multipletests(p, method="fdr_bh")[1], rel=1e-12)
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], rel=1e-12)


def test_shares_test_agrees_with_scipy() -> None:
    """``scipy.stats.fisher_exact``, one-sided, lot against the rest."""
    counts = {"a": (9, 40), "b": (2, 60), "c": (3, 55), "d": (0, 10)}
    figures = compare_shares([LotCount(name, *pair) for name, pair in counts.items()])
    for one in figures:
        rest = [sum(pair[k] for name, pair in counts.items() if name != one.name) for k in (0, 1)]
        table = [[one.found, one.of - one.found], [rest[0], rest[1] - rest[0]]]
        assert one.p == pytest.approx(stats.fisher_exact(table, alternative="greater").pvalue, rel=1e-9)


def test_rates_test_agrees_with_scipy() -> None:
    """``scipy.stats.binomtest`` of a lot's count, given all, with its share of what is expected."""
    counts = {"a": (9, 30.0), "b": (2, 61.5), "c": (3, 55.0)}
    figures = compare_rates([LotCount(name, found, 500, hoped) for name, (found, hoped) in counts.items()])
    assert sum(one.expected or 0 for one in figures) == pytest.approx(14)
    for one in figures:
        share = counts[one.name][1] / 146.5
        assert one.p == pytest.approx(stats.binomtest(one.found, 14, share, alternative="greater").pvalue, rel=1e-9)
