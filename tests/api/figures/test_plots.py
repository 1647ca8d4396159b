"""The pictures: well-formed, inside their frame, hostile names as text, what they show said in words."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.figures import Curve, Fit, Life, survival_curve, weibull
from wearvision_api.figures.plots import (
    HEIGHT,
    WIDTH,
    Bar,
    Mark,
    Point,
    describe,
    lots_plot,
    shares_plot,
    survival_plot,
)

ENDS = ("x1", "x2", "cx", "x"), ("y1", "y2", "cy", "y")
TIMES = st.integers(1, 3000).map(float)
LIFE = st.one_of(
    st.builds(lambda at: Life(at, at), TIMES),
    st.builds(lambda at, n: Life(at, None, n), TIMES, st.integers(1, 500)),
    st.builds(lambda low, wide: Life(low, low + wide), TIMES, TIMES),
)
SHARE = st.floats(0, 1)


def _inside(picture: ElementTree.Element, width: float, height: float) -> None:
    for one in picture.iter():
        for names, most in zip(ENDS, (width, height), strict=True):
            assert all(-0.1 <= float(one.get(name, "0")) <= most + 0.1 for name in names), one.attrib
        corners = [pair.split(",") for pair in one.get("points", "").split()]
        assert all(-0.1 <= float(x) <= width + 0.1 and -0.1 <= float(y) <= height + 0.1 for x, y in corners)


@given(st.lists(LIFE, min_size=1, max_size=12))
def test_survival_picture_stays_in_its_frame(lives: list[Life]) -> None:
    curve = survival_curve([*lives, Life(10, 10)])
    assert isinstance(curve, Curve)
    picture = ElementTree.fromstring(survival_plot(curve, None, "days", "A <part> & more", "p"))
    _inside(picture, WIDTH, HEIGHT)
    assert (picture[0].text, picture[1].text) == ("A <part> & more", describe(curve, None, "days"))
    assert len(picture.findall("polygon")) == (curve.method == "Kaplan-Meier" and any(one.low for one in curve.steps))


@given(st.lists(st.tuples(SHARE, SHARE, SHARE, st.booleans()), min_size=1, max_size=8), st.floats(0.001, 1))
def test_lots_picture_stays_in_its_frame(values: list[tuple[float, float, float, bool]], line: float) -> None:
    bars = [
        Bar(f"<lot {place}>", sorted(row[:3])[1], min(row[:3]), max(row[:3]) * 50, row[3])
        for place, row in enumerate(values)
    ]
    picture = ElementTree.fromstring(lots_plot(bars, line, "share", "Lots", "p"))
    _inside(picture, WIDTH, float(picture.get("height", "0")))
    kinds = [one.get("class") for one in picture.iter()]
    assert kinds.count("value worse") == sum(bar.worse for bar in bars)
    assert kinds.count("interval") == len(bars)
    labels = [one.text for one in picture.findall("text") if one.get("class") == "label"]
    assert labels == [f"{bar.label} (worse)" if bar.worse else bar.label for bar in bars]
    worse = [bar.label for bar in bars if bar.worse]
    assert (picture[1].text or "").endswith(f": {', '.join(worse) if worse else 'none'}.")


def test_axis_begins_where_few_failures_are_seen_and_says_so() -> None:
    curve = survival_curve([Life(100, 100), Life(400, 400), Life(900, None, 998)])
    assert isinstance(curve, Curve)
    picture = survival_plot(curve, None, "days", "Part", "p")
    assert re.findall(r">([\d.]+%)<", picture) == ["99.0%", "99.2%", "99.4%", "99.6%", "99.8%", "100.0%"]
    assert "The upright axis begins at 0.99, not at nought." in picture


@pytest.mark.parametrize("scale", [0.02, 1.0, 100.0])
def test_formula_is_drawn_through_its_own_values(scale: float) -> None:
    lives = [Life(scale * time, scale * time) for time in (16.0, 34, 53, 75, 93, 120)]
    curve, fit = survival_curve(lives), weibull(lives)
    assert isinstance(curve, Curve)
    assert isinstance(fit, Fit)
    picture = ElementTree.fromstring(survival_plot(curve, fit, "hours", "Part", "p"))
    line = next(one for one in picture.findall("polyline") if one.get("class") == "line")
    points = [tuple(map(float, pair.split(","))) for pair in line.get("points", "").split()]
    left, top, base = 48, 20, HEIGHT - 46
    for x, y in points:
        time = (x - left) / (WIDTH - 12 - left) * scale * 120 * 1.02
        assert (base - y) / (base - top) == pytest.approx(fit.survival(max(time, 0.0)), abs=0.004)


@given(
    st.lists(st.tuples(SHARE, SHARE, SHARE), min_size=1, max_size=40),
    st.lists(st.floats(-400, 1600), max_size=6),
)
def test_shares_picture_stays_in_its_frame(values: list[tuple[float, float, float]], marks: list[float]) -> None:
    points = [Point(f"<{place}>", 30.0 * place, sorted(row)[1], min(row), max(row)) for place, row in enumerate(values)]
    changes = [Mark("a <model>", at) for at in marks]
    picture = ElementTree.fromstring(shares_plot(points, changes, "Shares", "In words.", "p"))
    _inside(picture, WIDTH, HEIGHT)
    kinds = [one.get("class") for one in picture.iter()]
    assert kinds.count("value") == kinds.count("interval") == len(points)
    last = points[-1].at
    room = max(last * 0.06, 15.0)
    assert kinds.count("turn") == sum(-room <= at <= last + room for at in marks)
    assert picture[1].text == "In words."
    names = [one.text for one in picture.findall("text") if (one.text or "").startswith("<")]
    assert len(names) <= 5


def test_higher_shares_lie_higher() -> None:
    points = [Point("a", 0, 0.9, 0.85, 0.95), Point("b", 30, 0.95, 0.9, 0.97)]
    picture = ElementTree.fromstring(shares_plot(points, [], "Shares", "", "p"))
    first, second = (float(one.get("cy", "")) for one in picture.findall("circle"))
    assert second < first
    assert "80%" in [one.text for one in picture.findall("text")]
