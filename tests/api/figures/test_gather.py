"""From the records to lives, on both databases: who is at risk, what failed when, what cannot be placed."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from wearvision_api.figures import Curve, Fit, Unsaid
from wearvision_api.figures.asked import Asked, Back, cause_of
from wearvision_api.figures.inspected import Event, lives_of
from wearvision_api.figures.life import Life
from wearvision_api.figures.months import months
from wearvision_api.figures.population import Cohort, population
from wearvision_api.services import figures

from .conftest import START, TODAY, Fleet

ALL = Asked("coupler", TODAY)
RAN_H = 900.0
"""180 days at 5 h a day, from START to TODAY."""


def back(**said: object) -> Back:
    fields: dict[str, object] = {
        "part_number": "C-8", "lot": "L1", "machine_id": None, "hours_installed": None, "hours_failed": None,
        "hours_last_good": None, "installed_on": None, "failed_on": None, "returned_on": date(2026, 5, 1),
    }  # fmt: skip
    return Back(**fields | said)  # type: ignore[arg-type]


def cohort(
    count: int = 10, lot: str = "L1", since: date = START, pace: float | None = 5.0, number: str = "C-8"
) -> Cohort:
    return Cohort(number, lot, since, count, pace)


def lives(*backs: Back, known: tuple[Cohort, ...] = (), asked: Asked = ALL) -> list[Life]:
    found = population(known or (cohort(),), backs, asked)
    assert found is not None
    return sorted(found.lives, key=lambda one: (one.low, one.high is None))


@pytest.mark.on_both
def test_life_of_a_fleet(fleet: Fleet) -> None:
    """200 parts; 4 failures at known hours, 1 found at an inspection, 1 without an age; 194 still run at 900 h."""
    fleet.fitted(200)
    for age in (100.0, 250.0, 400.0, 640.0):
        fleet.back(hours_installed=1000.0, hours_failed=1000 + age)
    fleet.back(hours_installed=0.0, hours_last_good=300.0, hours_failed=500.0)
    fleet.back()
    found = figures.life(fleet.session, ALL)
    assert (found.source, found.unit, found.returns, found.parts, found.failures) == ("fitted", "h", 6, 200, 6)
    assert isinstance(found.curve, Curve)
    assert found.curve.method == "Turnbull"
    assert found.curve.running == ((RAN_H, 194),)
    assert found.curve.at(RAN_H) == pytest.approx(194 / 200, abs=1e-6)
    assert isinstance(found.weibull, Fit)
    assert any("1 returns have no age" in note for note in found.notes)
    assert (found.ages.known, found.ages.least, found.ages.most) == (5, 100, 640)


@pytest.mark.on_both
def test_without_a_population_only_ages_and_why(fleet: Fleet) -> None:
    for age in (100.0, 250.0, 400.0):
        fleet.back(hours_installed=1000.0, hours_failed=1000 + age)
    found = figures.life(fleet.session, ALL)
    assert (found.source, found.parts) == ("none", 0)
    assert found.weibull == found.curve == Unsaid(figures.ALONE)
    assert "those that still run are missing" in figures.ALONE
    assert (found.ages.unit, found.ages.middle, found.ages.known) == ("h", 250, 3)


@pytest.mark.on_both
def test_newest_decision_names_the_cause(fleet: Fleet) -> None:
    """After an objection the second decision's class holds; what names no known class is open."""
    objected = fleet.back(cause="defect", hours_installed=0.0, hours_failed=80.0)
    fleet.decided(objected, 2, {"class": "heat"})
    fleet.back(cause="nonsense")
    fleet.back()
    fleet.back(cause="heat", returned_on=TODAY + timedelta(days=1))  # not known yet on that day
    fleet.back(part="electrode", cause="heat")
    rows = figures.by_month(fleet.session, ALL, "cause")
    assert [(row.month, row.group, row.found, row.of) for row in rows] == [
        ("2026-05", "open", 2, 3),
        ("2026-05", "heat", 1, 3),
    ]


@pytest.mark.on_both
def test_a_bad_lot_stands_out_and_an_old_one_does_not(fleet: Fleet) -> None:
    """Wear-out at 700 h: the old lot has lost most, as its age lets expect; the young lot with 12 early is worse."""
    fleet.fitted(200, "old", since=date(2025, 1, 1))
    fleet.fitted(200, "young")
    fleet.fitted(200, "bad")
    for count in range(40):
        fleet.back("old", hours_installed=0.0, hours_failed=1200.0 + 30 * count)
    fleet.back("young", hours_installed=0.0, hours_failed=500.0)
    for count in range(12):
        fleet.back("bad", hours_installed=0.0, hours_failed=100.0 + 50 * count)
    found = figures.lots(fleet.session, ALL)
    assert (found.basis, found.reason) == ("fitted", "")
    verdicts = {key[1]: one for key, one in found.lots}
    assert {lot: one.worse for lot, one in verdicts.items()} == {"old": False, "young": False, "bad": True}
    assert verdicts["old"].share is not None
    assert verdicts["bad"].share is not None
    assert verdicts["old"].share > verdicts["bad"].share
    assert found.lots[0][0] == ("C-8", "bad")


@pytest.mark.on_both
def test_lots_without_a_population_compare_a_class_among_returns(fleet: Fleet) -> None:
    for lot, defects in (("A", 9), ("B", 1), ("C", 0)):
        for count in range(12):
            fleet.back(lot, cause="defect" if count < defects else "service-wear")
    found = figures.lots(fleet.session, ALL)
    assert (found.basis, found.cause) == ("returns", "defect")
    assert [(key[1], one.found, one.of, one.worse) for key, one in found.lots] == [
        ("A", 9, 12, True), ("B", 1, 12, False), ("C", 0, 12, False),
    ]  # fmt: skip
    assert "does not say how often a lot fails" in found.notes[0]


@pytest.mark.on_both
def test_inspections_are_a_population(fleet: Fleet) -> None:
    """Three machines: replaced worn after a good visit, still good, and one whose first part's fitting is unknown."""
    fleet.machine((100, "replace", "replaced"), (300, "serviceable", ""), (700, "replace", "replaced"))
    fleet.machine((50, "replace", "replaced"), (400, "clean-and-reuse", "cleaned and refitted"))
    fleet.machine((800, "serviceable", "refitted"))
    found = figures.life(fleet.session, ALL)
    assert (found.source, found.parts, found.failures) == ("inspections", 2, 1)
    assert isinstance(found.curve, Curve)
    assert [(one.since, one.time) for one in found.curve.steps] == [(350, 600)]  # good till 350 h on the other machine
    assert any("At 3 machines" in note for note in found.notes)
    assert figures.life(fleet.session, Asked("coupler", TODAY, "C-8")).source == "none"


def test_survivors_and_causes() -> None:
    told = [
        back(hours_installed=0, hours_failed=200, cause="dirt"),
        back(hours_installed=0, hours_failed=300, cause="heat"),
    ]
    assert lives(*told) == [Life(200, 200), Life(300, 300), Life(RAN_H, None, 8)]
    heat = Asked("coupler", TODAY, cause="heat")
    assert lives(*told, asked=heat) == [Life(200, None), Life(300, 300), Life(RAN_H, None, 8)]


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ({"hours_installed": 10, "hours_failed": 210}, Life(200, 200)),
        ({"hours_installed": 10, "hours_failed": 10}, Life(0.5, 0.5)),
        ({"hours_installed": 10, "hours_last_good": 60, "hours_failed": 210}, Life(50, 200)),
        ({"hours_installed": 10, "hours_last_good": 210, "hours_failed": 210}, Life(200, 200)),
        ({"hours_installed": 300, "hours_failed": 210, "failed_on": date(2026, 1, 21)}, Life(100, 100)),
        ({"installed_on": date(2026, 1, 11), "failed_on": date(2026, 1, 21)}, Life(50, 50)),
        ({}, Life(0, 600)),
    ],
)  # fmt: skip
def test_age_of_a_return(said: dict[str, object], expected: Life) -> None:
    """Meter first, then dates at 5 h a day, else somewhere before it came back on the 120th day."""
    assert lives(back(**said), known=(cohort(1),)) == [expected]


def test_days_where_the_pace_is_not_known() -> None:
    found = lives(back(failed_on=date(2026, 2, 1), hours_installed=0, hours_failed=9), known=(cohort(3, pace=None),))
    assert found == [Life(31, 31), Life(180, None, 2)]


def test_returns_go_to_their_own_cohort() -> None:
    """Own lot first, the newest that ran before; then a cohort without a lot; others are left out and counted."""
    late = cohort(5, since=date(2026, 4, 1))
    loose = cohort(5, lot="")
    backs = [
        back(installed_on=date(2026, 4, 2), failed_on=date(2026, 4, 12)),
        back(lot="L9", installed_on=date(2026, 4, 2), failed_on=date(2026, 4, 12)),
        back(part_number="X-1"),
    ]
    found = population([cohort(5), loose, late], backs, ALL)
    assert found is not None
    assert {key: group.failed for key, group in found.groups.items()} == {("C-8", ""): 1, ("C-8", "L1"): 1}
    assert sorted(one.count for one in found.groups["C-8", "L1"].lives if not one.failed) == [4, 5]
    assert any("1 returns belong to no line" in note for note in found.notes)


def test_more_back_than_fitted_is_said() -> None:
    found = population([cohort(2)], [back(), back(), back()], ALL)
    assert found is not None
    assert sum(one.count for one in found.lives) == 2
    assert any("1 more came back than were fitted" in note for note in found.notes)


@pytest.mark.parametrize(
    ("events", "expected", "headless"),
    [
        ([Event(100, "fitted"), Event(300, "good"), Event(500, "failed")], [Life(200, 400)], False),
        ([Event(100, "fitted"), Event(500, "failed", 500)], [Life(400, 400)], False),
        ([Event(100, "fitted"), Event(500, "failed", 450)], [Life(350, 400)], False),
        ([Event(100, "fitted"), Event(500, "taken out")], [Life(400, None)], False),
        ([Event(100, "fitted"), Event(300, "good")], [Life(200, None)], False),
        ([Event(100, "fitted")], [], False),
        ([Event(300, "good"), Event(500, "failed")], [], True),
        ([Event(500, "failed"), Event(700, "good"), Event(900, "failed")], [Life(200, 400)], True),
        # A visit's replacement and the return of the same part are one removal.
        ([Event(100, "fitted"), Event(500, "failed"), Event(501, "failed", 501)], [Life(0, 400)], False),
        # The photo as installed begins a life only where none is known to run.
        ([Event(100, "seen fitted"), Event(300, "good")], [Life(200, None)], False),
        ([Event(100, "fitted"), Event(150, "seen fitted"), Event(300, "good")], [Life(200, None)], False),
    ],
)  # fmt: skip
def test_lives_at_one_machine(events: list[Event], expected: list[Life], headless: bool) -> None:
    assert lives_of(reversed(events)) == (expected, headless)


def test_months_count_groups_beside_all_and_rates_beside_the_fitted() -> None:
    backs = [back(cause="heat"), back(cause="heat"), back(cause="dirt"), back(returned_on=date(2026, 6, 2), lot="L2")]
    known = [cohort(500), cohort(100, lot="L2", since=date(2026, 6, 20))]
    rows = months(backs, known, "cause", ALL)
    assert [(one.month, one.group, one.found, one.of, one.fitted) for one in rows] == [
        ("2026-06", "open", 1, 1, 500), ("2026-05", "heat", 2, 3, 500), ("2026-05", "dirt", 1, 3, 500),
    ]  # fmt: skip
    assert rows[1].rate == pytest.approx(4.0)
    assert rows[1].rate_low is not None
    assert rows[1].rate_low < 4 < (rows[1].rate_high or 0)
    by_lot = months(backs, known, "lot", ALL)
    assert [(one.group, one.fitted) for one in by_lot] == [("L2", None), ("L1", 500)]  # L2 ran from the 20th on


@pytest.mark.parametrize("proposal", [None, {}, {"class": None}, {"class": 3}, {"class": "rust"}, {"class": ["heat"]}])
def test_cause_read_defensively(proposal: dict[str, object] | None) -> None:
    assert cause_of(proposal) == "open"
