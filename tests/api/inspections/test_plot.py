"""The picture of a measure over running hours: what stands in it, and its round numbers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision.standard import load_limits
from wearvision_api.pages.plot import describe, plot, ticks
from wearvision_api.services.history import Seen, Series, Visit, series_of

START = datetime(2026, 1, 1, tzinfo=UTC)


def series(points: list[tuple[float, float, str]]) -> tuple[Series, ...]:
    visits = []
    for k, (hours, value, done) in enumerate(points):
        line = {"name": "haze", "value": value, "low": value - 0.002, "high": value + 0.002}
        visits.append(Visit(str(k), START + timedelta(days=k), hours, (Seen(str(k), "flame_cell", [line], done),)))
    found: tuple[Series, ...] = series_of(visits, load_limits())
    return found


RISING = [(1000.0, 0.05, ""), (1250.0, 0.10, ""), (1500.0, 0.149, ""), (1750.0, 0.2, "")]


@given(st.floats(0, 1e5), st.floats(1e-3, 1e5))
def test_ticks_are_few_round_and_inside(low: float, span: float) -> None:
    found = ticks(low, low + span)
    assert 1 <= len(found) <= 7
    step = found[1] - found[0] if len(found) > 1 else 1
    assert all(low - 1e-6 * step <= one <= low + span + 1e-6 * step for one in found)


def test_ticks_of_a_known_span() -> None:
    assert ticks(0, 10, 5) == [0, 2, 4, 6, 8, 10]
    assert ticks(940, 1810, 5) == [1000, 1200, 1400, 1600, 1800]


@pytest.mark.parametrize("projected", [True, False])
def test_plot_draws_values_limit_and_what_is_projected(projected: bool) -> None:
    found = series(RISING if projected else RISING[:2])
    picture = ElementTree.fromstring(plot(found, "Haze <over> hours", "p"))
    kinds = [one.get("class") for one in picture.iter() if one.get("class")]
    assert kinds.count("value") == len(found[0].points)
    assert kinds.count("interval") == len(found[0].points)
    assert kinds.count("limit") == 1
    assert (kinds.count("line"), kinds.count("reach")) == ((1, 1) if projected else (0, 0))
    assert picture.get("role") == "img"
    title, desc = picture[0], picture[1]
    assert (title.text, desc.text) == ("Haze <over> hours", describe(found))
    assert picture.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"


def test_plot_marks_where_the_part_was_replaced() -> None:
    found = series([(200.0, 0.3, "replaced"), *RISING])
    picture = ElementTree.fromstring(plot(found, "Haze", "p"))
    assert [one.text for one in picture if one.text == "replaced"] == ["replaced"]
    heights = [float(one.get("cy", "nan")) for one in picture if one.get("class") == "value"]
    assert heights[1:] == sorted(heights[1:], reverse=True)
    assert heights[0] == min(heights)


def test_description_says_the_outlook() -> None:
    assert "Reaches replace at about 25" in describe(series(RISING))
    assert "No projection. 2 of at least 3" in describe(series(RISING[:2]))
    assert "the part was replaced" in describe(series([(200.0, 0.3, "replaced")]))
