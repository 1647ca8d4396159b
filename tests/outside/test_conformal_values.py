"""Split conformal intervals: the library that calibrates us, against worked values and a plain order statistic.

Rule: q = the ceil((n + 1)(1 - alpha))-th smallest calibration score. Source: "How split conformal works" (rule and
lower bound, read); the upper bound 1 - alpha + 1/(n + 1) and the spread of coverage are from memory (handbook
section 7, checks C7.13 and C7.14).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from crepes import ConformalRegressor

from wearvision.calibration import Blend, Calibration, Entry
from wearvision.judge import judge
from wearvision.standard import GRADES, load_limits

SCORES = np.array([0.02, 0.05, 0.07, 0.11, 0.13, 0.18, 0.22, 0.31, 0.44])


def by_order(scores: np.ndarray, alpha: float) -> float:
    """The plain way, in NumPy."""
    k = math.ceil(round((scores.size + 1) * (1 - alpha), 9))
    return float(np.sort(scores)[k - 1]) if k <= scores.size else math.inf


HAIR = 1e-9
"""crepes 0.7 to 0.9 takes int((1 - confidence) * (n + 1)), which rounding puts one rank too high (too wide, so still
valid) where that product is a whole number; a confidence smaller by a hair gives the exact rank."""


def by_library(scores: np.ndarray, alpha: float, hair: float = HAIR) -> float:
    """Half width that crepes gives around zero."""
    fitted = ConformalRegressor().fit(scores)
    return float(fitted.predict_int(np.zeros(1), confidence=1 - alpha - hair)[0, 1])


@pytest.mark.parametrize(("alpha", "q"), [(0.1, 0.44), (0.2, 0.31), (0.3, 0.22), (0.4, 0.18), (0.5, 0.13)])
def test_c7_13_quantile_of_nine_scores(alpha: float, q: float) -> None:
    assert by_order(SCORES, alpha) == q
    assert by_library(SCORES, alpha) == pytest.approx(q)


@pytest.mark.parametrize("alpha", [0.15, 0.2, 0.3, 0.4, 0.5])
def test_library_without_the_hair_is_never_narrower(alpha: float) -> None:
    assert by_library(SCORES, alpha, hair=0.0) >= by_order(SCORES, alpha)


@pytest.mark.filterwarnings("ignore:the no. of calibration examples is too small")
@pytest.mark.parametrize(
    ("n", "alpha", "enough"), [(8, 0.1, False), (9, 0.1, True), (18, 0.05, False), (19, 0.05, True)]
)
def test_c7_14_fewest_scores_that_can_answer(n: int, alpha: float, enough: bool) -> None:
    scores = np.linspace(0.1, 1.0, n)
    assert math.isfinite(by_order(scores, alpha)) is enough
    assert by_order(scores, alpha) == (1.0 if enough else math.inf)
    assert by_library(scores, alpha) == by_order(scores, alpha)


@pytest.mark.parametrize(("n", "k"), [(99, 90), (100, 91)])
def test_c7_14_rank(n: int, k: int) -> None:
    scores = np.arange(1.0, n + 1)
    assert by_order(scores, 0.1) == k
    assert by_library(scores, 0.1) == k


@pytest.mark.parametrize("part", ["flame_cell", "electrode", "coupler"])
def test_c7_14_too_few_examples_give_every_grade_that_the_limits_know(part: str) -> None:
    """An infinite joint factor, as it stands in a model's record (None), must end in the full set."""
    limits = load_limits()
    nothing = Entry(0.0, 0.0, 0.0, 0.0, 1.0, 1.0, np.zeros(0))
    entries = {f"{part}.{row.measure}": nothing for row in limits.of_part(part)}
    calibration = Calibration(0.95, entries, {part: math.inf}, 0.0, 1.0, "rendered")
    names = [row.measure for row in limits.of_part(part)]
    lines = {name: calibration.interval(f"{part}.{name}", Blend(0.0, 0.1, True)) for name in names}
    assert judge(part, lines, limits).possible_grades == GRADES


def test_coverage_holds_and_so_does_the_judged_set() -> None:
    """Intervals from the library cover new values as stated, and the true grade is in the judged set as often."""
    rng, n, alpha, rounds, fresh = np.random.default_rng(11), 99, 0.1, 60, 100
    limits, covered, held = load_limits(), [], []
    row = limits.row("flame_cell", "haze")
    for _ in range(rounds):
        truth = rng.uniform(0, 0.6, n + fresh)
        scale = rng.uniform(0.02, 0.1, n + fresh)
        guess = np.abs(truth + scale * rng.laplace(0, 1, n + fresh))
        fitted = ConformalRegressor().fit(truth[:n] - guess[:n], sigmas=scale[:n])
        spans = fitted.predict_int(guess[n:], sigmas=scale[n:], confidence=1 - alpha - HAIR, y_min=0.0)
        covered.append(np.mean((spans[:, 0] <= truth[n:]) & (truth[n:] <= spans[:, 1])))
        pairs = zip(truth[n:], spans, strict=True)
        held.append(np.mean([row.grade_of(value) in row.reachable(low, high) for value, (low, high) in pairs]))
    # Exact coverage k / (n + 1) = 0.90; three standard errors of the mean over the rounds.
    error = 3 * float(np.std(covered)) / math.sqrt(rounds)
    assert np.mean(covered) == pytest.approx(0.90, abs=error)
    assert np.mean(held) >= np.mean(covered)
