"""What figures of agreement say where there is little or nothing to say."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from wearvision_api.teaching.alpha import alpha
from wearvision_api.teaching.kappa import cohen, fleiss

LEVELS = ("serviceable", "clean-and-reuse", "replace")
GOOD, CLEAN, BAD = LEVELS


def test_no_example_has_no_figure() -> None:
    for found in (cohen([], [], LEVELS), fleiss([[GOOD]], LEVELS), alpha([[GOOD], []], LEVELS, "ordinal")):
        assert (found.value, found.low, found.of) == (None, None, 0)
        assert found.reason.startswith("there is no example")


def test_one_example_alone_has_no_figure() -> None:
    for found in (cohen([GOOD], [BAD], LEVELS), fleiss([[GOOD, BAD]], LEVELS), alpha([[GOOD, BAD]], LEVELS, "ordinal")):
        assert (found.value, found.of) == (None, 1)
        assert found.reason.startswith("one example alone")


def test_one_answer_throughout_has_no_figure_and_says_why() -> None:
    same = [GOOD] * 30
    pairs = [[GOOD, GOOD]] * 30
    for found in (cohen(same, same, LEVELS), fleiss(pairs, LEVELS), alpha(pairs, LEVELS, "nominal")):
        assert found.value is None
        assert found.of == 30
        assert "serviceable every time" in found.reason


def test_perfect_agreement_claims_no_certainty() -> None:
    said = [GOOD, CLEAN, BAD] * 10
    pairs = [[one, one] for one in said]
    for found in (cohen(said, said, LEVELS, "quadratic"), fleiss(pairs, LEVELS), alpha(pairs, LEVELS, "ordinal")):
        assert found.value == pytest.approx(1)
        assert (found.low, found.high) == (None, None)
        assert "More may still differ" in found.note


def test_drawings_without_a_figure_are_told() -> None:
    """One of 40 differs: (39/40)^40, 36 %, of all drawings lack it and have no figure; of these 2000, 37 %."""
    one, other = [GOOD] * 39 + [BAD], [GOOD] * 40
    found = alpha([[a, b] for a, b in zip(one, other, strict=True)], LEVELS, "nominal")
    assert found.value is not None
    assert found.low is None
    assert "37% of 2000 drawings" in found.note


def test_one_who_gives_one_answer_is_told() -> None:
    found = cohen([GOOD] * 30, [GOOD, BAD] * 15, LEVELS)
    assert found.value == 0
    assert "one answer only" in found.note


def test_few_examples_are_called_rough() -> None:
    assert "Only 3 examples" in cohen([GOOD, BAD, GOOD], [GOOD, BAD, BAD], LEVELS).note
    assert "Only" not in cohen([GOOD, BAD] * 25, [GOOD, BAD] * 24 + [BAD, GOOD], LEVELS).note


def test_fleiss_says_what_it_leaves_out() -> None:
    found = fleiss([[GOOD, BAD], [GOOD, GOOD], [BAD, BAD], [GOOD, BAD, BAD], [GOOD]], LEVELS)
    assert found.of == 3
    assert "2 with another number" in found.note


def test_order_of_people_and_of_examples_changes_nothing() -> None:
    rng = np.random.default_rng(4)
    labels = [[str(one) for one in rng.choice(LEVELS, size=3)] for _ in range(40)]
    turned = [labels[place][::-1] for place in rng.permutation(40)]
    assert alpha(labels, LEVELS, "ordinal") == alpha(turned, LEVELS, "ordinal")


def test_unknown_levels_are_refused() -> None:
    with pytest.raises(ValueError, match="among the levels"):
        cohen(["good"], ["good"], LEVELS)
    with pytest.raises(ValueError, match="none of the levels"):
        alpha([["good", GOOD]], LEVELS, "nominal")
    with pytest.raises(ValueError, match="none of the levels"):
        fleiss([["good", GOOD]], LEVELS)
    with pytest.raises(ValueError, match="needs numbers"):
        alpha([[GOOD, BAD]] * 2, LEVELS, "interval")


def test_without_the_extra_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sklearn.metrics", None)
    monkeypatch.setitem(sys.modules, "statsmodels.stats.inter_rater", None)
    for found in (cohen([GOOD, BAD], [GOOD, BAD], LEVELS), fleiss([[GOOD, BAD]] * 2, LEVELS)):
        assert found.value is None
        assert "wearvision[teaching]" in found.reason


@pytest.mark.bench
@pytest.mark.parametrize("examples", [20, 50, 100, 300])
def test_how_often_the_interval_holds(examples: int) -> None:
    """Two people drawn from a known joint table of grades: share of 95 % intervals that hold the table's own kappa."""
    table = np.array([[0.42, 0.06, 0.01], [0.05, 0.20, 0.04], [0.01, 0.03, 0.18]])
    from wearvision_api.teaching.kappa import cohen_of, distances

    true = cohen_of(np.round(table * 10**6).astype(int).reshape(1, -1), distances(3, "quadratic"))[0]
    rng = np.random.default_rng(11)
    held = missing = 0
    for _ in range(500):
        cells = rng.choice(9, size=examples, p=table.ravel())
        found = cohen([LEVELS[one] for one in cells // 3], [LEVELS[one] for one in cells % 3], LEVELS, "quadratic")
        missing += found.low is None
        held += found.low is not None and found.high is not None and found.low <= true <= found.high
    print(f"\nn {examples}: {held} of 500 intervals hold the true weighted kappa {true:.3f}; {missing} had none")
    assert held + missing > 0.85 * 500
