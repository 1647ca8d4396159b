"""Positions along a bar, and the grade in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.bars import HEADROOM, bar, headline
from wearvision.parts import PARTS
from wearvision.report import MeasureLine
from wearvision.standard import GRADES, load_limits

LIMITS = load_limits()
ROWS = [LIMITS.row(part, mode.measure) for part, spec in PARTS.items() for mode in spec.modes]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.part}.{row.measure}")
def test_ticks_are_where_the_grade_changes(row) -> None:
    place = bar(MeasureLine(row.measure, row.mode, 0.0, 0.0, 0.0), row)
    assert place.ticks
    for position, grade in place.ticks:
        at = position * place.top
        assert row.grade_of(at * (1 + 1e-9) + 1e-12) == grade
        assert row.grade_of(at * (1 - 1e-6)) != grade
    assert 0 < min(place.ticks)[0] <= max(place.ticks)[0] <= 1 / HEADROOM + 1e-9


@given(row=st.sampled_from(ROWS), ends=st.lists(st.floats(0, 20), min_size=3, max_size=3).map(sorted))
def test_positions_keep_their_order_and_stay_on_the_bar(row, ends: list[float]) -> None:
    low, value, high = ends
    place = bar(MeasureLine(row.measure, row.mode, value, low, high), row)
    assert 0 <= place.low <= place.value <= place.high <= 1
    assert place.value == pytest.approx(min(value / place.top, 1))


def test_unmeasured_has_ticks_only() -> None:
    place = bar(MeasureLine("haze", "clouding", None, reason="glare"), LIMITS.row("flame_cell", "haze"))
    assert (place.value, place.low, place.high) == (None, None, None)
    assert place.ticks


def test_no_grade_in_words() -> None:
    assert headline(None, (), ()) == "no grade"


def test_views_missing_are_said_for_serviceable_only() -> None:
    assert headline("serviceable", ("serviceable",), ("end",)) == "○ serviceable so far, still to see: end"
    assert headline("serviceable", (), ("end", "side", "side")).endswith("still to see: end, side (2 photos)")
    assert "still to see" not in headline("replace", ("replace",), ("end",))


@given(
    grade=st.sampled_from(GRADES),
    possible=st.sets(st.sampled_from(GRADES)),
    missing=st.lists(st.sampled_from(["end", "side"])),
)
def test_every_possible_grade_is_said_and_serviceable_never_alone(
    grade: str, possible: set[str], missing: list[str]
) -> None:
    words = headline(grade, tuple(sorted(possible | {grade})), tuple(missing))
    assert all(name in words for name in possible)
    assert ("in doubt" in words) == bool(possible - {grade})
