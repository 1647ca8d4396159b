"""Pictures of lives and lots as SVG, in the look of the other plots; a table of the same numbers stands beside each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from wearvision_api.figures.curve import Curve, Step
from wearvision_api.figures.weibull import Fit
from wearvision_api.pages.plot import ticks

WIDTH, HEIGHT = 420, 250
LEFT, RIGHT, TOP, BOTTOM = 48, 12, 20, 46
ROW = 34
POINTS = 60
"""Of the formula's curve."""
MOST_TICKS = 150
"""Marks for parts that still ran; more would run into each other."""
MOST_NAMES = 5
"""Names of months under the axis; more would run into each other."""
SPAN = 8.0
"""Of a lots' picture, in units of the line in its middle; longer intervals run out of it and say so with an arrow."""
SPANS = 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0
"""Of the upright axis of a survival picture, from its floor to 100 %."""
Place = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Bar:
    """One lot of the lots' picture: its value and interval, and whether it stands out."""

    label: str
    value: float
    low: float
    high: float
    worse: bool


@dataclass(frozen=True, slots=True)
class Point:
    """A share at a time: its label, the time in days, value and interval."""

    label: str
    at: float
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that changed: what, and when in days."""

    label: str
    at: float


def survival_plot(curve: Curve, fit: Fit | None, unit: str, title: str, name: str) -> str:
    """Share still running over time: the curve with its interval as a band, ticks where parts still ran, the formula.

    Args:
        curve: With one step at least.
        fit: Drawn as a dotted line; None: there is none.
        unit: Of the time, for people, such as ``running hours``.
        title: What is drawn.
        name: Unique on the page, for the picture's own ids.
    """
    last = curve.last * 1.02
    base = HEIGHT - BOTTOM

    def x(time: float) -> float:
        return LEFT + time / last * (WIDTH - LEFT - RIGHT)

    floor = _floor(curve)
    form = ".0%" if 1 - floor >= 0.05 else ".1%"

    def y(share: float) -> float:
        return TOP + (1 - max(share, floor)) / (1 - floor) * (base - TOP)

    pieces = [*_opening(HEIGHT, title, describe(curve, fit, unit), name), *_below(x, last, base, unit)]
    for share in (floor + (1 - floor) * place / 5 for place in range(6)):
        pieces.append(_stroke(LEFT - 4, y(share), LEFT, y(share), "axis"))
        pieces.append(f'<text x="{LEFT - 8}" y="{y(share) + 4:.1f}" text-anchor="end">{share:{form}}</text>')
    pieces.append(_stroke(LEFT, TOP, LEFT, base, "axis"))
    band = _band(curve.steps, last)
    if band:
        corners = " ".join(f"{x(time):.1f},{y(share):.1f}" for time, share in band)
        pieces.append(f'<polygon class="band" points="{corners}"/>')
    corners = " ".join(f"{x(time):.1f},{y(share):.1f}" for time, share in _stairs(curve))
    pieces.append(f'<polyline class="stairs" points="{corners}" fill="none" stroke="currentColor" stroke-width="2.5"/>')
    every = -(-len(curve.running) // MOST_TICKS) or 1
    for time, _ in curve.running[::every]:
        at = y(curve.at(time))
        pieces.append(_stroke(x(time), at - 5, x(time), at + 5, "running"))
    if fit is not None:
        times = [last * place / POINTS for place in range(POINTS + 1)]
        corners = " ".join(f"{x(time):.1f},{y(fit.survival(time)):.1f}" for time in times)
        pieces.append(
            f'<polyline class="line" points="{corners}" fill="none" stroke="currentColor" stroke-width="2" '
            'stroke-dasharray="2 4"/>'
        )
    return "".join([*pieces, "</svg>"])


def describe(curve: Curve, fit: Fit | None, unit: str) -> str:
    """What the survival picture shows, in words."""
    end, floor = curve.steps[-1], _floor(curve)
    words = (
        f"{curve.method} curve of {curve.parts} parts, {curve.failures} of them failed; {end.survival:.0%} still run "
    )
    words += f"after {end.time:,.0f} {unit}."
    if end.low is not None and end.high is not None:
        words += f" The 95 % interval there is {end.low:.0%} to {end.high:.0%}."
    if fit is not None:
        words += f" Dotted: Weibull with shape {fit.shape.value:.2f} and scale {fit.scale.value:,.0f} {unit}."
    return words + (f" The upright axis begins at {floor:.3g}, not at nought." if floor else "")


def lots_plot(bars: Sequence[Bar], line: float, across: str, title: str, name: str) -> str:
    """One row a lot: its value with the interval, beside the line on which all lots would lie if they were alike.

    Args:
        bars: One or more, in the order shown.
        line: Value of the line, > 0.
        across: What the values are, for people.
        title: What is drawn.
        name: Unique on the page.
    """
    height = TOP + ROW * len(bars) + BOTTOM
    base = height - BOTTOM
    last = min(max(line * 2, *(bar.high for bar in bars)), max(line * SPAN, *(bar.value for bar in bars))) * 1.05

    def x(value: float) -> float:
        return LEFT / 2 + min(value, last) / last * (WIDTH - LEFT / 2 - RIGHT)

    worse = [bar.label for bar in bars if bar.worse]
    words = f"{len(bars)} lots; worse than the rest: {', '.join(worse) if worse else 'none'}."
    pieces = [*_opening(height, title, words, name), *_below(x, last, base, across)]
    pieces.append(_stroke(x(line), TOP - 8, x(line), base, "limit", 'stroke-dasharray="6 4"'))
    for place, bar in enumerate(bars):
        at = TOP + ROW * place + 24
        label = f"{bar.label} (worse)" if bar.worse else bar.label
        pieces.append(f'<text class="label" x="{LEFT / 2 + 4:.1f}" y="{at - 9}">{escape(label)}</text>')
        pieces.append(_stroke(x(bar.low), at, x(bar.high), at, "interval", 'stroke-width="3"'))
        if bar.high > last:
            pieces.append(f'<path class="beyond" d="M{x(last) - 6:.1f},{at - 5} l6,5 l-6,5 z"/>')
        kind = f'<rect class="value worse" x="{x(bar.value) - 5:.1f}" y="{at - 5}" width="10" height="10"/>'
        plain = f'<circle class="value" cx="{x(bar.value):.1f}" cy="{at}" r="4.5"/>'
        pieces.append(kind if bar.worse else plain)
    return "".join([*pieces, "</svg>"])


def shares_plot(points: Sequence[Point], marks: Sequence[Mark], title: str, words: str, name: str) -> str:
    """Shares over time, each with its interval, and upright lines where something changed.

    Args:
        points: By time; one at least.
        marks: Drawn where they lie within the points' time.
        title: What is drawn.
        words: What it shows, in words.
        name: Unique on the page.
    """
    base, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    first, last = points[0].at, points[-1].at
    room = max((last - first) * 0.06, 15.0)
    floor = _begins(min(one.low for one in points))
    form = ".0%" if 1 - floor >= 0.05 else ".1%"

    def x(at: float) -> float:
        return LEFT + (at - first + room) / (last - first + 2 * room) * (right - LEFT)

    def y(share: float) -> float:
        return TOP + (1 - max(share, floor)) / (1 - floor) * (base - TOP)

    pieces = [*_opening(HEIGHT, title, words, name), _stroke(LEFT, TOP, LEFT, base, "axis")]
    pieces.append(_stroke(LEFT, base, right, base, "axis"))
    for share in (floor + (1 - floor) * place / 5 for place in range(6)):
        pieces.append(_stroke(LEFT - 4, y(share), LEFT, y(share), "axis"))
        pieces.append(f'<text x="{LEFT - 8}" y="{y(share) + 4:.1f}" text-anchor="end">{share:{form}}</text>')
    for one in points[:: -(-len(points) // MOST_NAMES)]:
        pieces.append(f'<text x="{x(one.at):.1f}" y="{base + 18}" text-anchor="middle">{escape(one.label)}</text>')
    for row, mark in enumerate(one for one in marks if first - room <= one.at <= last + room):
        at = x(mark.at)
        pieces.append(_stroke(at, TOP, at, base, "turn", 'stroke-dasharray="2 4"'))
        side, shift = ("start", 4) if at < (LEFT + right) / 2 else ("end", -4)
        height = base - 8 - 16 * (row % 3)
        pieces.append(f'<text class="label" x="{at + shift:.1f}" y="{height}" text-anchor="{side}">')
        pieces.append(f"{escape(mark.label)}</text>")
    for one in points:
        pieces.append(_stroke(x(one.at), y(one.low), x(one.at), y(one.high), "interval", 'stroke-width="3"'))
        pieces.append(f'<circle class="value" cx="{x(one.at):.1f}" cy="{y(one.value):.1f}" r="4.5"/>')
    return "".join([*pieces, "</svg>"])


def _floor(curve: Curve) -> float:
    """Where the upright axis begins: a few failures among many parts must be seen."""
    return _begins(min(step.survival if step.low is None else step.low for step in curve.steps))


def _begins(least: float) -> float:
    return 1 - next((span for span in SPANS if span >= 1 - least), 1.0)


def _opening(height: int, title: str, words: str, name: str) -> list[str]:
    return [
        f'<svg class="plot" role="img" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'aria-labelledby="{name}-title {name}-desc" font-size="13" fill="currentColor" stroke="none">',
        f'<title id="{name}-title">{escape(title)}</title>',
        f'<desc id="{name}-desc">{escape(words)}</desc>',
    ]


def _below(x: Place, last: float, base: float, words: str) -> list[str]:
    """The axis along the lower edge."""
    pieces = [_stroke(x(0), base, x(last), base, "axis")]
    for value in ticks(0, last):
        pieces.append(_stroke(x(value), base, x(value), base + 4, "axis"))
        pieces.append(f'<text x="{x(value):.1f}" y="{base + 18:.1f}" text-anchor="middle">{value:g}</text>')
    return [*pieces, f'<text x="{x(last):.1f}" y="{base + 38:.1f}" text-anchor="end">{escape(words)}</text>']


def _stairs(curve: Curve) -> list[tuple[float, float]]:
    """Corners of the curve; between two times where it is not known, the straight line."""
    corners = [(0.0, 1.0)]
    for step in curve.steps:
        corners += [(step.since, corners[-1][1]), (step.time, step.survival)]
    return [*corners, (max(curve.last, corners[-1][0]), corners[-1][1])]


def _band(steps: Sequence[Step], last: float) -> list[tuple[float, float]]:
    """Corners of the interval's band, along the top and back along the bottom."""
    above: list[tuple[float, float]] = []
    below: list[tuple[float, float]] = []
    for step, until in zip(steps, [*(one.time for one in steps[1:]), last], strict=True):
        if step.low is not None and step.high is not None:
            above += [(step.time, step.high), (until, step.high)]
            below += [(step.time, step.low), (until, step.low)]
    return above + below[::-1]


def _stroke(x1: float, y1: float, x2: float, y2: float, kind: str, rest: str = "") -> str:
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    width = "" if "stroke-width" in rest else ' stroke-width="1.5"'
    return f'<line class="{kind}" {ends} stroke="currentColor"{width} {rest}/>'
