"""Bounds of a label, held against the limits: a truth inside them could have got that label, and outside could not."""

from __future__ import annotations

import pytest
from drawn_labels import labels, outcomes
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.labels import AtLeast, Bound, Label, LabelError, asked, at_least, bounds
from wearvision.labels.bounds import range_of, range_up_to, top_of
from wearvision.labels.label import ABSENT, NOT_SEEN, grade_of_answer
from wearvision.measure.result import Measured
from wearvision.standard import load_limits
from wearvision.standard.grades import GRADES
from wearvision.standard.limits import Row

LIMITS = load_limits()
ROWS = list(LIMITS.rows.values())
SHARE = st.floats(0.01, 0.99)


@settings(deadline=None)
@given(st.sampled_from(ROWS), SHARE)
def test_a_grades_range_is_where_it_is_a_right_answer(row: Row, share: float) -> None:
    value = share * min(1.0, top_of(row.measure))
    for grade in row.grades:
        found = range_of(row, grade)
        if found.low < value < found.high:
            assert grade in row.grades_of(value)
        elif value < found.low or value > found.high:
            assert grade not in row.grades_of(value)


@settings(deadline=None)
@given(st.sampled_from(ROWS), st.sampled_from(GRADES), SHARE)
def test_up_to_a_grade_means_that_or_better(row: Row, grade: str, share: float) -> None:
    value, found = share * min(1.0, top_of(row.measure)), range_up_to(row, grade)  # type: ignore[arg-type]
    better = {one for one in row.grades_of(value) if GRADES.index(one) <= GRADES.index(grade)}  # type: ignore[arg-type]
    if value != found.high:
        assert (value < found.high) == bool(better)


@settings(deadline=None)
@given(st.data())
def test_a_truth_in_the_bounds_could_have_got_that_label(data: st.DataObject) -> None:
    label = data.draw(labels())
    found = bounds(label, {}, LIMITS)
    values = {
        measure: bound.low + data.draw(SHARE) * (min(bound.high, 2.0) - bound.low) for measure, bound in found.items()
    }
    lead = at_least(label, found, LIMITS)
    rows = {row.mode: row for row in LIMITS.of_part(label.part)}
    if lead is not None:
        row = rows[data.draw(st.sampled_from(lead.modes))]
        floor = range_of(row, lead.grade).low
        high = min(found[row.measure].high, 2.0)
        values[row.measure] = floor + data.draw(SHARE) * (high - floor)
    for mode, answer in label.modes.items():
        if answer == ABSENT:
            assert values[rows[mode].measure] < rows[mode].serviceable_below
        elif answer == NOT_SEEN:
            assert rows[mode].measure not in values
        else:
            assert grade_of_answer(answer) in rows[mode].grades_of(values[rows[mode].measure])
    if values:
        assert label.grade in LIMITS.grade_part(label.part, values).acceptable


@settings(deadline=None)
@given(st.data())
def test_bounds_are_never_empty_and_never_wider_than_what_was_measured(data: st.DataObject) -> None:
    label = data.draw(labels())
    seen = data.draw(outcomes(label))
    found = bounds(label, seen, LIMITS)
    words = bounds(label, {}, LIMITS)
    for measure, bound in found.items():
        assert 0 <= bound.low <= bound.high <= top_of(measure)
        if isinstance(outcome := seen.get(measure), Measured):
            assert outcome.low <= bound.low <= bound.high <= outcome.high
            assert bound.value is not None
            assert bound.source == "mark"
        else:
            assert bound == words[measure]
    assert set(found) == set(words) | set(seen)


def flame(**more: object) -> Label:
    return Label.read({"part": "flame_cell", "view": "face", **more})


def test_a_grade_alone_bounds_all_modes_from_above_and_the_worst_from_below() -> None:
    label = flame(grade="replace")
    found = bounds(label, {}, LIMITS)
    assert {measure: (one.low, one.high) for measure, one in found.items()} == {
        "film_loss": (0, 1), "haze": (0, 1), "crack_ratio": (0, 10), "scorch_ratio": (0, 1), "rim_deviation": (0, 10),
    }  # fmt: skip
    assert at_least(label, found, LIMITS) == AtLeast("replace", ("clouding", "crack", "scorch", "housing"))
    fine = flame(grade="serviceable")
    found = bounds(fine, {}, LIMITS)
    assert (found["haze"].high, found["film_loss"].high, found["crack_ratio"].high) == (0.15, 0.15, 0.15)
    assert at_least(fine, found, LIMITS) is None


def test_the_only_mode_left_is_bounded_from_below() -> None:
    said = {"film": "absent", "crack": "absent", "scorch": "absent", "housing": "not seen"}
    label = flame(grade="replace", modes=said)
    found = bounds(label, {}, LIMITS)
    assert (found["haze"].low, found["haze"].high) == (0.30, 1.0)
    assert "rim_deviation" not in found, "what is not seen is not bounded"
    assert at_least(label, found, LIMITS) is None


def test_any_crack_in_ceramic_is_replace_from_the_floor_on() -> None:
    label = Label.read({"part": "electrode", "view": "side", "grade": "serviceable"})
    assert bounds(label, {}, LIMITS)["crack_ratio"].high == 0.10
    cracked = Label.read({"part": "electrode", "view": "side", "grade": "replace", "modes": {"crack": "replace"}})
    assert bounds(cracked, {}, LIMITS)["crack_ratio"].low == 0.10


def test_a_mark_outranks_the_word_of_the_same_person() -> None:
    label = flame(grade="serviceable", modes={"housing": "serviceable"})
    inside = bounds(label, {"rim_deviation": Measured(0.05, 0.04, 0.07)}, LIMITS)["rim_deviation"]
    assert (inside.low, inside.value, inside.high) == (0.04, 0.05, 0.06), "narrowed by the word"
    beyond = bounds(label, {"rim_deviation": Measured(0.2, 0.18, 0.22)}, LIMITS)["rim_deviation"]
    assert (beyond.low, beyond.value, beyond.high) == (0.18, 0.2, 0.22)


def test_a_bound_reads_what_it_writes_and_nothing_else() -> None:
    bound = Bound(0.1, 0.3, 0.2, "match")
    assert Bound.read("x", bound.to_dict()) == bound
    unit = {"low": 0, "high": 1}
    for wrong in ({"low": 0}, [], {"low": 1, "high": 0}, unit | {"source": "x"}, unit | {"low": True}):
        with pytest.raises(LabelError, match="x"):
            Bound.read("x", wrong)


def test_every_view_can_be_bounded_by_every_grade_that_it_gives() -> None:
    for part, view in [("coupler", "end"), ("coupler", "side"), ("electrode", "side"), ("flame_cell", "face")]:
        for grade in {grade for _, grades in asked(part, view).modes for grade in grades}:
            label = Label.read({"part": part, "view": view, "grade": grade})
            found = bounds(label, {}, LIMITS)
            assert len(found) == len(asked(part, view).modes)
            lead = at_least(label, found, LIMITS)
            floors = [found[row.measure].low for row in LIMITS.of_part(part) if row.measure in found]
            assert (lead is not None or max(floors) > 0) == (grade != "serviceable")
