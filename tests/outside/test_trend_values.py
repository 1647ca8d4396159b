"""The straight line of a machine's history against statsmodels, scipy and a certified data set."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from wearvision_api.services.trend import fit_line, t_cdf, t_quantile

# NIST Statistical Reference Datasets, linear regression, "Norris"; data and certified values from memory.
NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1
998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
SLOPE, INTERCEPT, SCATTER = 1.00211681802045, -0.262323073774029, 0.884796396144373
SLOPE_ERROR = 0.429796848199937e-03


def test_fit_line_on_norris_gives_the_certified_values() -> None:
    y, x = np.array(NORRIS.split(), float).reshape(-1, 2).T
    line = fit_line(x, y)
    assert line.n == 36
    assert line.slope == pytest.approx(SLOPE, rel=1e-12)
    assert line.intercept == pytest.approx(INTERCEPT, rel=1e-10)
    assert line.scatter == pytest.approx(SCATTER, rel=1e-10)
    assert line.slope_error == pytest.approx(SLOPE_ERROR, rel=1e-10)


@pytest.mark.parametrize("n", [3, 4, 7, 25])
def test_fit_line_and_prediction_agree_with_statsmodels(n: int) -> None:
    chance = np.random.default_rng(n)
    x = np.sort(chance.uniform(0, 3000, n))
    y = 0.05 + 1e-4 * x + chance.normal(0, 0.01, n)
    line, other = fit_line(x, y), sm.OLS(y, sm.add_constant(x)).fit()
    assert (line.intercept, line.slope) == pytest.approx(tuple(other.params), rel=1e-9)
    assert line.slope_error == pytest.approx(other.bse[1], rel=1e-9)
    for at in (0.0, 1500.0, 6000.0):
        frame = other.get_prediction(np.array([[1.0, at]])).summary_frame(alpha=0.05)
        theirs = frame["obs_ci_lower"].iloc[0], frame["obs_ci_upper"].iloc[0]
        assert line.prediction(at) == pytest.approx(theirs, rel=1e-8)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 9, 10, 58])
@pytest.mark.parametrize("share", [0.75, 0.9, 0.975, 0.995])
def test_t_quantile_agrees_with_scipy(share: float, freedom: int) -> None:
    assert t_quantile(share, freedom) == pytest.approx(stats.t.ppf(share, freedom), rel=1e-9)
    assert t_cdf(-1.5, freedom) == pytest.approx(stats.t.cdf(-1.5, freedom), rel=1e-12)


def test_crossing_ends_where_the_prediction_bounds_reach_the_limit() -> None:
    """The interval's own definition, checked through ``prediction``, which statsmodels has checked."""
    x = np.array([0, 400, 900, 1300.0])
    line = fit_line(x, 0.02 + 1e-4 * x + np.array([0.002, -0.003, 0.002, -0.001]))
    found = line.crossing(0.3)
    assert found is not None
    at, earliest, latest = found
    assert line.at(at) == pytest.approx(0.3, rel=1e-12)
    assert line.prediction(earliest)[1] == pytest.approx(0.3, rel=1e-9)
    assert line.prediction(latest)[0] == pytest.approx(0.3, rel=1e-9)
    assert earliest < at < latest


def test_crossing_interval_holds_the_next_value_at_its_level() -> None:
    """Simulated: the hour at which a new noisy photo would read the limit lies inside in about 95 of 100 cases."""
    chance = np.random.default_rng(7)
    x, slope, noise, limit, tries = np.array([0, 300, 700, 1000, 1500.0]), 2e-4, 0.008, 0.5, 2000
    held = 0
    for _ in range(tries):
        found = fit_line(x, slope * x + chance.normal(0, noise, 5)).crossing(limit)
        shown_at = (limit - chance.normal(0, noise)) / slope
        held += found is not None and found[1] <= shown_at <= found[2]
    spread = 3 * np.sqrt(0.95 * 0.05 / tries)
    assert abs(held / tries - 0.95) < spread


def test_crossing_of_a_line_that_does_not_clearly_rise_is_none() -> None:
    assert fit_line([0, 1, 2, 3], [0.1, 0.3, 0.1, 0.2]).crossing(1.0) is None
    assert fit_line([0, 1, 2, 3], [0.4, 0.3, 0.2, 0.1]).crossing(1.0) is None


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [([1, 2], [1, 2], "three points"), ([1, 1, 1], [1, 2, 3], "one place"), ([1, 2, np.nan], [1, 2, 3], "finite")],
)
def test_fit_line_refuses_what_no_line_goes_through(x: list[float], y: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fit_line(x, y)
