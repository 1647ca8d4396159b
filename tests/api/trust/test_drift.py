"""The drift alarm: windows, one grade a machine, the exact test against counting by hand, and what raises it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import datetime, timedelta
from math import comb

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from wearvision_api.trust import drift

from .conftest import START, company

WEEK = timedelta(weeks=1)
STRATUM = st.tuples(st.integers(0, 5), st.integers(0, 5), st.integers(0, 5), st.integers(0, 5)).map(
    lambda n: (min(n[0], n[1]), n[1], min(n[2], n[3]), n[3])
)


def _by_counting(strata: list[tuple[int, int, int, int]]) -> tuple[float, float]:
    """Chance of so few and of so many after, by walking all ways to deal each stratum's found ones out."""
    few = many = total = 0
    observed = sum(one[2] for one in strata)
    choices = [range(out_of + 1) for _, _, _, out_of in strata]
    for after in itertools.product(*choices):
        ways = 1
        for (before, of, found, out_of), count in zip(strata, after, strict=True):
            rest = before + found - count
            ways *= comb(out_of, count) * (comb(of, rest) if rest >= 0 else 0)
        total += ways
        few += ways * (sum(after) <= observed)
        many += ways * (sum(after) >= observed)
    return few / total, many / total


@given(st.lists(STRATUM, min_size=1, max_size=3))
@example([(0, 0, 0, 0), (0, 1, 1, 1)])
def test_the_stratified_test_is_what_counting_gives(strata: list[tuple[int, int, int, int]]) -> None:
    few, many = _by_counting(strata)
    assert drift.stratified(strata, "less") == pytest.approx(few)
    assert drift.stratified(strata, "greater") == pytest.approx(many)


def test_weeks_begin_on_monday_utc() -> None:
    assert drift.monday(START) == START.replace(hour=0)
    assert drift.monday(datetime.fromisoformat("2026-01-12T00:30:00+01:00")) == START.replace(hour=0)


def test_it_is_too_early_before_the_fourteenth_week() -> None:
    rows = company(np.random.default_rng(1), 13)
    assert drift.looks(rows, START + 13 * WEEK) == []
    assert [one.at for one in drift.looks(rows, START + 14 * WEEK)] == [START.replace(hour=0) + 14 * WEEK]
    assert drift.looks([], START) == []


def test_the_newest_looks_are_weekly() -> None:
    rows = company(np.random.default_rng(1), 2)
    found = drift.looks(rows, START + 60 * WEEK + timedelta(days=3), 5)
    assert [one.at - START.replace(hour=0) for one in found] == [week * WEEK for week in range(56, 61)]


def test_each_machine_counts_once_in_a_window_and_windows_do_not_overlap() -> None:
    rows = company(np.random.default_rng(2), 40, machines=30)
    found = drift.look(rows, START.replace(hour=0) + 40 * WEEK)
    photos = [one for one in found.tests if one.kind == "photos"]
    assert len(photos) == 3 * 6 + 1
    assert all(one.first <= 30 and one.newest <= 30 for one in photos)


def test_a_look_sees_nothing_of_later_days() -> None:
    rows = company(np.random.default_rng(3), 40, changes=30, shift=3.0)
    at = START.replace(hour=0) + 30 * WEEK
    assert drift.look(rows, at) == drift.look([one for one in rows if one.at < at], at)


def test_few_grades_are_named_not_tested() -> None:
    rows = company(np.random.default_rng(4), 20, machines=15)
    found = drift.look(rows, START.replace(hour=0) + 20 * WEEK)
    assert [one for one in found.tests if one.kind == "photos"] == []
    assert "Drive coupler: 15 and" in " ".join(found.untested)


def test_a_first_window_goes_on_until_it_holds_enough() -> None:
    rows = company(np.random.default_rng(5), 40, visits=3)
    slow = [one for place, one in enumerate(rows) if one.at > START + 13 * WEEK or place < 30]
    found = drift.look(slow, START.replace(hour=0) + 40 * WEEK)
    firsts = [one.first for one in found.tests if one.kind == "photos" and one.part]
    assert len(firsts) == 3 * 6
    assert drift.LEAST <= min(firsts) <= max(firsts) < drift.LEAST + 3


def test_darker_photos_raise_the_alarm_and_name_the_number() -> None:
    rows = company(np.random.default_rng(6), 40, changes=28, shift=-2.0)
    found = drift.look(rows, START.replace(hour=0) + 40 * WEEK)
    assert {(one.what, one.part) for one in found.alarms} == {
        ("brightness", part) for part in ("flame_cell", "electrode", "coupler")
    }
    assert all(one.after < one.before - 1 for one in found.alarms)


def test_photos_that_cannot_be_judged_raise_it() -> None:
    rows = company(np.random.default_rng(7), 40)
    late = START + 30 * WEEK
    rows = [replace(one, grade=None, standing="") if one.at > late and one.part == "coupler" else one for one in rows]
    found = drift.look(rows, START.replace(hour=0) + 40 * WEEK)
    assert drift.UNUSABLE not in {one.what for one in found.alarms}  # a machine's first grade is of its flame cell
    rows = [replace(one, grade=None, standing="") if one.at > late else one for one in rows]
    found = drift.look(rows, START.replace(hour=0) + 40 * WEEK)
    assert drift.UNUSABLE in {one.what for one in found.alarms}


def test_fewer_confirmed_raise_it_but_more_doubt_does_not() -> None:
    """More doubtful grades lower the plain share of confirmed ones; within a reason for asking nothing has changed."""
    fewer = company(np.random.default_rng(8), 60, visits=40, machines=2000, changes=30, fewer=0.35)
    found = drift.look(fewer, START.replace(hour=0) + 60 * WEEK)
    assert [one.what for one in found.alarms if one.kind == "checks"] == ["serviceable"]
    same = company(np.random.default_rng(8), 60, visits=40, machines=2000)
    late = [one for one in same if one.at < START + 30 * WEEK or one.why == "doubt"]
    newest = [[one for one in rows if one.standing and one.at > START + 30 * WEEK] for rows in (same, late)]
    shares = [np.mean([one.standing == "confirmed" for one in half]) for half in newest]
    assert shares[1] < shares[0] - 0.04
    assert drift.look(late, START.replace(hour=0) + 60 * WEEK).alarms == ()


def test_checks_of_the_newest_two_weeks_wait() -> None:
    rows = company(np.random.default_rng(9), 40, visits=40, machines=2000)
    end = START.replace(hour=0) + 40 * WEEK
    bad = [replace(one, standing="overridden") if one.standing and one.at >= end - 2 * WEEK else one for one in rows]
    assert _checks(drift.look(bad, end)) == _checks(drift.look(rows, end))
    assert _checks(drift.look(bad, end + 2 * WEEK)) != _checks(drift.look(rows, end + 2 * WEEK))


def _checks(look: drift.Look) -> list[drift.Compared]:
    return [one for one in look.tests if one.kind == "checks"]


def test_the_chance_of_one_look_is_the_year_s_over_all_looks() -> None:
    assert pytest.approx(drift.ALARM_YEAR) == drift.LOOKS * 2 * drift.LOOK_ALARM
    assert drift.LOOKS >= 366 / 7
