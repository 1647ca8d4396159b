"""Slow: true coverage of the intervals, false alarms a year, how soon a change is found. Each prints its figures."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from scipy.stats import binomtest

from wearvision_api.trust import drift
from wearvision_api.trust.shares import Class, share

from .conftest import START, company

pytestmark = pytest.mark.slow
COMPANIES = 4000
YEARS = 60
CHANGED = 20
FIRST = drift.FIRST_WEEKS + 1
LOOKED = FIRST + drift.LOOKS


def _interval(count: int, of: int) -> str:
    found = binomtest(count, of).proportion_ci(0.95, "exact")
    return f"{count} of {of} ({count / of:.3f}, {found.low:.3f} to {found.high:.3f})"


@pytest.mark.parametrize("grades", [60, 150, 400, 1500])
@pytest.mark.parametrize("sure", [0.8, 0.9, 0.96, 0.99])
def test_intervals_hold_the_true_share(grades: int, sure: float) -> None:
    """A fifth in doubt, 0.70 of those right, 0.9 of their checks come back; of the drawn ones 0.6 do."""
    rng = np.random.default_rng([grades, round(1000 * sure)])
    true, held, said, widths = 0.2 * 0.70 + 0.8 * sure, 0, 0, []
    for _ in range(COMPANIES):
        doubt = int(rng.binomial(grades, 0.2))
        drawn = int(rng.binomial(grades - doubt, 0.2))
        back = [int(rng.binomial(doubt, 0.9)), int(rng.binomial(drawn, 0.6))]
        right = [int(rng.binomial(back[0], 0.70)), int(rng.binomial(back[1], sure))]
        found = share([Class(1.0, doubt, back[0], right[0]), Class(0.2, drawn, back[1], right[1])])
        if found.value is not None:
            said += 1
            held += found.low <= true <= found.high
            widths.append(found.high - found.low)
    width = np.mean(widths)
    print(f"\n{grades} grades, sure ones right {sure}: 95 % interval held {_interval(held, said)}, width {width:.3f}")
    assert held / said > 0.93
    assert said > 0.95 * COMPANIES


def test_a_year_without_change_raises_few_alarms() -> None:
    """53 weekly looks at 22 numbers; machines' photos resemble each other. Stated: 0.05 a year at most."""
    years = [company(np.random.default_rng([1, seed]), LOOKED) for seed in range(YEARS)]
    looked = [drift.looks(rows, START + timedelta(weeks=LOOKED)) for rows in years]
    assert {len(one) for one in looked} == {drift.LOOKS}
    photos, checks = (
        sum(any(test.kind == kind for one in looks for test in one.alarms) for looks in looked)
        for kind in ("photos", "checks")
    )
    any_alarm = sum(any(one.alarms for one in looks) for looks in looked)
    print(f"\nfalse alarms: {_interval(any_alarm, YEARS)} years; photos {photos}, checks {checks}")
    # More than this many would come up in one of a hundred such runs only, were the true chance the stated one.
    assert binomtest(any_alarm, YEARS, drift.ALARM_YEAR, "greater").pvalue > 0.01


@pytest.mark.parametrize(
    ("what", "visits", "change", "least"),
    [
        ("brightness by 0.5 deviations", 12, {"shift": -0.5}, 0),
        ("brightness by 1 deviation", 12, {"shift": -1.0}, 16),
        ("brightness by 2 deviations", 12, {"shift": -2.0}, 20),
        ("checks by 0.10", 40, {"fewer": 0.10}, 0),
        ("checks by 0.20", 40, {"fewer": 0.20}, 14),
        ("checks by 0.35", 40, {"fewer": 0.35}, 20),
    ],
)
def test_how_soon_a_change_is_found(what: str, visits: int, change: dict[str, float], least: int) -> None:
    """A change in week 20; weeks until the first alarm, looked at for 26."""
    waits = []
    for seed in range(CHANGED):
        rows = company(np.random.default_rng([2, seed]), 46, visits=visits, machines=600, changes=20, **change)
        looks = drift.looks(rows, START + timedelta(weeks=46))
        raised = [one.at for one in looks if one.alarms and one.at > START + timedelta(weeks=20)]
        if raised:
            waits.append((raised[0] - START.replace(hour=0)) / timedelta(weeks=1) - 20)
    middle = f", after {np.median(waits):.0f} weeks (median)" if waits else ""
    print(f"\n{what}, {visits} visits a week: found within 26 weeks in {_interval(len(waits), CHANGED)}{middle}")
    assert len(waits) >= least
