"""A machine's history. What carries a projection is an own definition; the line itself is checked in tests/outside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.standard import load_limits
from wearvision_api.services.history import Seen, Series, Visit, series_of

START = datetime(2026, 1, 1, tzinfo=UTC)
LIMITS = load_limits()
HAZE_LIMIT = LIMITS.row("flame_cell", "haze").splits[-1][0]
RISING = [(1000.0, 0.05), (1250.0, 0.101), (1500.0, 0.149), (1750.0, 0.2)]


def line(name: str, value: float | None, half: float = 0.001) -> dict[str, Any]:
    if value is None:
        return {"name": name, "mode": "", "value": None, "reason": "glare"}
    return {"name": name, "mode": "", "value": value, "low": value - half, "high": value + half, "unit": "1"}


def visits(
    points: Sequence[tuple[float, float | None]], measure: str = "haze", part: str = "flame_cell", half: float = 0.001,
    done: dict[int, str] | None = None,
) -> list[Visit]:  # fmt: skip
    return [
        Visit(
            f"v{k}",
            START + timedelta(days=k),
            hours,
            (Seen(f"g{k}", part, [line(measure, value, half)], (done or {}).get(k, "")),),
        )
        for k, (hours, value) in enumerate(points)
    ]


def only(found: tuple[Series, ...]) -> Series:
    assert len(found) == 1
    return found[0]


def test_series_that_clearly_rises_is_projected_to_its_limit() -> None:
    """A rise of 0.05 in 250 h from 0.05 at 1000 h reaches 0.35 at 2500 h."""
    series = only(series_of(visits(RISING), LIMITS))
    assert series.limit == pytest.approx(0.35)
    assert series.projection is not None
    assert series.projection.hours == pytest.approx(2500, rel=0.02)
    assert 1750 <= series.projection.earliest < series.projection.hours < series.projection.latest
    assert series.reason == ""


@pytest.mark.parametrize(
    ("points", "half", "words"),
    [
        (RISING[:2], 0.001, "2 of at least 3 visits at different hours since the first visit"),
        ([(1000, 0.05), (1000, 0.1), (1250, 0.15)], 0.001, "2 of at least 3 visits"),
        ([(1000, 0.1), (1250, 0.1), (1500, 0.1)], 0.001, "does not clearly rise"),
        ([(1000, 0.3), (1250, 0.2), (1500, 0.1)], 0.001, "does not clearly rise"),
        ([(1000, 0.1), (1250, 0.3), (1500, 0.15)], 0.001, "does not clearly rise"),
        (RISING, 0.2, "own intervals are too wide"),
        ([(1000, 0.1), (1250, 0.2), (1500, 0.3), (1750, 0.4)], 0.001, "reached at the last visit"),
        ([(1000, 0.0500), (1250, 0.0511), (1500, 0.0519), (1750, 0.0530)], 0.0001, "too far to say"),
    ],
)
def test_series_that_does_not_carry_a_projection_says_why(
    points: Sequence[tuple[float, float | None]], half: float, words: str
) -> None:
    series = only(series_of(visits(points, half=half), LIMITS))
    assert series.projection is None
    assert words in series.reason


def test_series_of_a_crack_is_never_projected() -> None:
    series = only(series_of(visits([(h, v / 10) for h, v in RISING], "crack_ratio", "coupler"), LIMITS))
    assert series.projection is None
    assert "there or not" in series.reason


def test_series_begins_anew_with_a_replaced_part() -> None:
    found = series_of(visits([*RISING, (2000, 0.01)], done={3: "replaced"}), LIMITS)
    assert [len(one.points) for one in found] == [4, 1]
    assert (found[0].ended, found[0].projection) == ("replaced", None)
    assert "the part was replaced" in found[0].reason
    assert found[1].began == "replaced"
    assert "since the part was replaced" in found[1].reason


@pytest.mark.parametrize(("measure", "lengths"), [("film_loss", [2, 2]), ("haze", [4])])
def test_cleaning_begins_anew_only_what_it_takes_away(measure: str, lengths: list[int]) -> None:
    found = series_of(visits(RISING, measure, done={1: "cleaned and refitted"}), LIMITS)
    assert [len(one.points) for one in found] == lengths


def test_series_leaves_out_what_could_not_be_measured() -> None:
    series = only(series_of(visits([RISING[0], (1100, None), *RISING[1:]]), LIMITS))
    assert [point.hours for point in series.points] == [1000, 1250, 1500, 1750]


def test_photo_taken_again_at_a_visit_replaces_the_first() -> None:
    first = visits(RISING)
    again = Seen("again", "flame_cell", [line("haze", 0.21)])
    last = Visit(first[3].id, first[3].at, first[3].hours, (*first[3].seen, again))
    series = only(series_of([*first[:3], last], LIMITS))
    assert [point.grade for point in series.points] == ["g0", "g1", "g2", "again"]


@given(st.floats(1e-5, 1e-3), st.floats(0, 0.2), st.integers(3, 8), st.floats(-1e5, 1e5))
def test_projection_does_not_depend_on_where_hours_are_counted_from(
    slope: float, start: float, n: int, shift: float
) -> None:
    at = [200.0 * k for k in range(n)]
    plain = only(series_of(visits([(h, start + slope * h) for h in at]), LIMITS))
    moved = only(series_of(visits([(h + shift, start + slope * h) for h in at]), LIMITS))
    assert (plain.projection is None) == (moved.projection is None)
    if plain.projection is not None and moved.projection is not None:
        assert moved.projection.hours - shift == pytest.approx(plain.projection.hours, rel=1e-6, abs=1e-3)
        assert plain.projection.hours == pytest.approx((HAZE_LIMIT - start) / slope, rel=1e-6)
