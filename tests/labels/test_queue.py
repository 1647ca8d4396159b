"""The queue of examples: reasons, urgency and order held against what they promise, and a fair random sample.

The weights are the project's own choice, no published source. The fairness is shown by simulation: a rate among the
photos that were labelled by urgency is far off, that among the random sample is not, within its Monte-Carlo error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.labels.queue import RANDOM_SHARE, WEIGHTS, WRONG, mixed, rarity, spread, teaches, urgency
from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES

PARTS_NAMED = st.sampled_from([*PARTS, None])
SHARES = st.floats(0, 1)


@st.composite
def reports(draw: Any) -> dict[str, Any]:
    """Reports of all kinds, refused and unfit ones among them."""
    part = draw(PARTS_NAMED)
    chances = draw(st.one_of(st.just({}), st.fixed_dictionaries(dict.fromkeys(GRADES, SHARES))))
    possible = draw(st.lists(st.sampled_from(GRADES), unique=True))
    lines = st.fixed_dictionaries({"value": st.one_of(st.none(), SHARES), "agree": st.booleans()})
    inputs = st.lists(st.fixed_dictionaries({"energy": st.floats(-500, 500)}), max_size=3)
    standing = st.sampled_from(["photo only", "confirmed", *WRONG])
    return {
        "part": {"name": part, "view": None, "probability": 0.5},
        "grade": possible[0] if possible else None,
        "possible_grades": possible,
        "probabilities": chances,
        "measures": draw(st.lists(lines, max_size=4)),
        "inputs": draw(inputs),
        "standing": draw(standing),
    }


KINDS = st.tuples(st.sampled_from(sorted(PARTS)), st.sampled_from(GRADES))


@given(reports(), st.dictionaries(KINDS, SHARES), st.one_of(st.none(), st.floats(-50, 50)))
def test_reasons_are_known_ones_and_shares(report: dict[str, Any], rare: dict[Any, float], least: float | None) -> None:
    found = teaches(report, rare=rare, least_energy=least)
    assert found.keys() <= WEIGHTS.keys()
    assert all(0 < score <= 1 for score in found.values())
    assert 0 <= urgency(found) < 1


@given(st.dictionaries(st.sampled_from(sorted(WEIGHTS)), SHARES), st.sampled_from(sorted(WEIGHTS)), SHARES)
def test_more_of_a_reason_is_never_less_urgent(reasons: dict[str, float], more: str, score: float) -> None:
    raised = reasons | {more: max(score, reasons.get(more, 0.0))}
    assert urgency(raised) >= urgency(reasons) - 1e-12
    assert urgency({}) == 0
    assert urgency(raised) >= max(WEIGHTS[name] * one for name, one in raised.items()) - 1e-12


def report(**changed: Any) -> dict[str, Any]:
    """A plain, certain, serviceable coupler."""
    return {
        "part": {"name": "coupler"},
        "grade": "serviceable",
        "possible_grades": ["serviceable"],
        "probabilities": {"serviceable": 1.0, "clean-and-reuse": 0.0, "replace": 0.0},
        "measures": [{"value": 0.1, "agree": True}],
        "inputs": [{"energy": 60.0}],
        "standing": "confirmed",
    } | changed


def test_a_certain_photo_teaches_nothing() -> None:
    assert teaches(report(), rare={("coupler", "replace"): 1.0}, least_energy=5.0) == {}


def test_each_reason_by_itself() -> None:
    even = dict.fromkeys(GRADES, 1 / 3)
    assert teaches(report(probabilities=even)) == {"doubt": 1.0}
    half = {"serviceable": 0.5, "clean-and-reuse": 0.5, "replace": 0.0}
    assert teaches(report(probabilities=half)) == {"doubt": round(math.log(2) / math.log(3), 4)}
    assert teaches(report(possible_grades=["serviceable", "replace"])) == {"doubt": 0.25}
    differ = [{"value": 0.1, "agree": False}]
    assert teaches(report(measures=differ)) == {"network and geometry differ": 1.0}
    assert teaches(report(measures=[{"value": None, "agree": False}])) == {}
    assert teaches(report(inputs=[{"energy": 5.0}]), least_energy=5.0) == {"unlike": 0.5}
    assert teaches(report(inputs=[{"energy": 5.0}])) == {}
    for standing in WRONG:
        assert teaches(report(standing=standing)) == {"contradicted": 1.0}
    rare = {("coupler", "serviceable"): 0.25}
    assert teaches(report(), rare=rare) == {"rare": 0.25}
    mostly = {"serviceable": 0.0, "clean-and-reuse": 0.0, "replace": 1.0}
    assert "rare" not in teaches(report(probabilities=mostly), rare=rare)


def test_a_report_without_a_grade_can_be_rare_in_its_own_kind_only() -> None:
    refused = report(part={"name": None}, grade=None, probabilities={}, possible_grades=[])
    assert teaches(refused, rare={("none", "none"): 1.0}) == {"rare": 1.0}
    assert teaches(refused, rare={("coupler", "serviceable"): 1.0}) == {}


@given(st.dictionaries(KINDS, st.integers(0, 10_000)))
def test_rarity_is_none_for_the_most_frequent_and_whole_for_the_unmet(counts: dict[Any, int]) -> None:
    found = rarity(counts)
    assert found.keys() == counts.keys()
    most = max(counts.values(), default=0)
    for kind, count in counts.items():
        assert 0 <= found[kind] <= 1
        assert most == 0 or (found[kind] == 0) == (count == most)
        assert most == 0 or count > 0 or found[kind] == 1
    ordered = sorted(counts, key=counts.__getitem__)
    assert [found[kind] for kind in ordered] == sorted(found.values(), reverse=True)


@given(st.lists(st.tuples(SHARES, st.integers(0, 40)), max_size=30))
def test_spread_keeps_all_and_sets_the_crowded_back(found: list[tuple[float, int]]) -> None:
    urgencies = {place: one for place, (one, _) in enumerate(found)}
    labelled = {place: count for place, (_, count) in enumerate(found)}
    order = spread(urgencies, labelled)
    assert sorted(order) == list(range(len(found)))
    for place, one in enumerate(order):
        for later in order[place + 1 :]:
            as_urgent, as_crowded = urgencies[one] >= urgencies[later], labelled[one] <= labelled[later]
            assert as_urgent or as_crowded, "neither more urgent nor from a group with fewer labels, and yet in front"
    assert spread(urgencies, {}) == sorted(urgencies, key=lambda one: -urgencies[one])


@given(
    st.lists(st.integers(0, 60), unique=True), st.lists(st.integers(0, 60), unique=True), SHARES, st.integers(0, 2**32)
)
def test_mixing_gives_everything_once_and_keeps_each_order(
    ordered: list[int], drawn: list[int], share: float, seed: int
) -> None:
    out = mixed(ordered, drawn, share, seed)
    assert sorted(out) == sorted({*ordered, *drawn})
    for lane in (ordered, drawn):
        other = drawn if lane is ordered else ordered
        own = [one for one in out if one in lane and one not in other]
        assert own == [one for one in lane if one not in other]
    assert mixed(ordered, drawn, share, seed) == out
    assert mixed(ordered, drawn, 0.0, seed)[: len(ordered)] == ordered
    assert mixed(ordered, drawn, 1.0, seed)[: len(drawn)] == drawn


def test_one_in_five_goes_by_lot() -> None:
    """Both lanes apart: the share among the first is binomial (5 standard deviations of 4,000 draws: 0.032)."""
    out = mixed([("urgent", n) for n in range(5000)], [("lot", n) for n in range(5000)], seed=3)
    share = np.mean([lane == "lot" for lane, _ in out[:4000]])
    assert abs(share - RANDOM_SHARE) < 5 * math.sqrt(RANDOM_SHARE * (1 - RANDOM_SHARE) / 4000)


@dataclass
class Company:
    """Photos that come in, labelled as the service hands them out: by urgency, and one in five by lot.

    Attributes:
        rng: Of all draws.
        bad: Whether each photo is a *replace*.
        urgent: How urgent it is; bad ones more often.
        lot: Drawn when it came.
        labelled: Which have a label.
        sampled: Which are in the random sample.
    """

    rng: np.random.Generator
    bad: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))
    urgent: np.ndarray = field(default_factory=lambda: np.zeros(0))
    lot: np.ndarray = field(default_factory=lambda: np.zeros(0))
    labelled: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))
    sampled: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))

    def come(self, count: int, share_bad: float) -> None:
        bad = self.rng.random(count) < share_bad
        self.bad = np.append(self.bad, bad)
        self.urgent = np.append(self.urgent, self.rng.random(count) * 0.5 + 0.5 * bad)
        self.lot = np.append(self.lot, self.rng.random(count))
        self.labelled, self.sampled = (np.append(one, np.zeros(count, bool)) for one in (self.labelled, self.sampled))

    def label(self) -> None:
        waiting = np.flatnonzero(~self.labelled)
        if self.rng.random() < RANDOM_SHARE:
            outside = np.flatnonzero(~self.sampled)
            self.sampled[outside[np.argmin(self.lot[outside])]] = True
            waiting = waiting if self.labelled[self.sampled].all() else np.flatnonzero(self.sampled & ~self.labelled)
        self.labelled[waiting[np.argmax(self.urgent[waiting])]] = True


def test_rates_on_the_random_sample_are_unbiased_and_others_are_not() -> None:
    """A tenth of the photos are bad and urgent; 120 of 400 are labelled, while more photos come in.

    Over 1,500 companies the mean of the sample's rate is within four standard errors of the true rate; that over all
    labels is more than twice the true rate, and that over a draw from those that still wait less than two thirds of it.
    """
    rng = np.random.default_rng(20)
    sampled, every, left_over = [], [], []
    for _ in range(1500):
        company = Company(rng)
        for _ in range(4):
            company.come(100, 0.1)
            for _ in range(30):
                company.label()
        kept = company.sampled & company.labelled
        assert np.array_equal(kept, company.sampled), "the sample has photos without a label"
        if kept.any():
            sampled.append(float(company.bad[kept].mean()))
        every.append(float(company.bad[company.labelled].mean()))
        left_over.append(_drawn_from_those_waiting(rng))
    error = float(np.std(sampled, ddof=1)) / math.sqrt(len(sampled))
    print(f"true 0.100, sample {np.mean(sampled):.4f} ± {error:.4f}, all labels {np.mean(every):.3f}, ", end="")
    print(f"drawn from those that wait {np.nanmean(left_over):.3f}")
    assert abs(np.mean(sampled) - 0.1) < 4 * error
    assert np.mean(every) > 0.2
    assert np.nanmean(left_over) < 0.067


def _drawn_from_those_waiting(rng: np.random.Generator) -> float:
    """The rate over photos that are drawn from what urgency has left over: what the queue must not do."""
    other, drawn = Company(rng), []
    other.come(400, 0.1)
    for _ in range(120):
        left = np.flatnonzero(~other.labelled)
        by_lot = rng.random() < RANDOM_SHARE
        taken = rng.choice(left) if by_lot else left[np.argmax(other.urgent[left])]
        other.labelled[taken] = True
        if by_lot:
            drawn.append(bool(other.bad[taken]))
    return float(np.mean(drawn)) if drawn else math.nan


@pytest.mark.parametrize("arrivals", [1, 4, 10])
def test_the_sample_is_the_lowest_lots_of_each_arrival(arrivals: int) -> None:
    """What makes it fair: within what came at one time it is exactly the photos with the lowest lots."""
    rng = np.random.default_rng(7)
    company, cohorts = Company(rng), []
    for number in range(arrivals):
        company.come(60, 0.3)
        cohorts.append(slice(60 * number, 60 * (number + 1)))
        for _ in range(25):
            company.label()
    for cohort in cohorts:
        lots, sampled = company.lot[cohort], company.sampled[cohort]
        if sampled.any() and not sampled.all():
            assert lots[sampled].max() < lots[~sampled].min()
