"""A measure over running hours as SVG: values with their intervals, the limit, and where the line reaches it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import escape

from wearvision_api.services.history import Series

WIDTH, HEIGHT = 420, 250
LEFT, RIGHT, TOP, BOTTOM = 48, 12, 20, 46
TICKS = 4


def ticks(low: float, high: float, most: int = TICKS) -> list[float]:
    """Round numbers from ``low`` to ``high``, at most ``most`` + 1 of them; steps of 1, 2 or 5 times a power of ten.

    Args:
        low: Lower end.
        high: Upper end, > ``low``.
        most: How many steps, ≥ 1.
    """
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [count * step for count in range(first, last + 1)]


def plot(series: Sequence[Series], title: str, name: str) -> str:
    """The picture of one measure; a table of the same numbers stands beside it.

    Args:
        series: Of one measure of one part, one after the other; at least one point in each.
        title: What is drawn.
        name: Unique on the page, for the picture's own ids.
    """
    frame = _Frame.around(series)
    now = series[-1]
    pieces = [
        f'<svg class="plot" role="img" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'aria-labelledby="{name}-title {name}-desc" font-size="13" fill="currentColor" stroke="none">',
        f'<title id="{name}-title">{escape(title)}</title>',
        f'<desc id="{name}-desc">{escape(describe(series))}</desc>',
        *_axes(frame),
        _stroke(
            frame.left, frame.y(now.limit), frame.right, frame.y(now.limit), 'class="limit" stroke-dasharray="6 4"'
        ),
        f'<text x="{frame.right:.1f}" y="{frame.y(now.limit) - 6:.1f}" text-anchor="end">'
        f"{escape(now.limit_grade)} from {now.limit:.3g}</text>",
    ]
    for one in series:
        if one.ended:
            x = frame.x(one.points[-1].hours)
            pieces.append(_stroke(x, TOP, x, HEIGHT - BOTTOM, 'class="break" stroke-dasharray="2 4"'))
            side, shift = ("start", 4) if x < LEFT + 80 else ("end", -4)  # off the axis
            label = f'<text x="{x + shift:.1f}" y="{HEIGHT - BOTTOM - 6}" text-anchor="{side}">'
            pieces.append(f"{label}{escape(one.ended)}</text>")
        for point in one.points:
            x = frame.x(point.hours)
            pieces.append(_stroke(x, frame.y(point.low), x, frame.y(point.high), 'class="interval"'))
            pieces.append(f'<circle class="value" cx="{x:.1f}" cy="{frame.y(point.value):.1f}" r="4.5"/>')
    if now.projection is not None and now.line is not None:
        start, end = now.points[0].hours, now.projection.hours
        ends = frame.x(start), frame.y(now.line.at(start)), frame.x(end), frame.y(now.limit)
        pieces.append(_stroke(*ends, 'class="line" stroke-dasharray="1 3"'))
        y = frame.y(now.limit)
        reach = frame.x(now.projection.earliest), y, frame.x(min(now.projection.latest, frame.last)), y
        pieces.append(_stroke(*reach, 'class="reach" stroke-width="5"'))
    return "".join([*pieces, "</svg>"])


def describe(series: Sequence[Series]) -> str:
    """What the picture shows, in one or two sentences."""
    points = [point for one in series for point in one.points]
    first, last = points[0], points[-1]
    span = f"{len(points)} values from {first.hours:.0f} to {last.hours:.0f} running hours"
    return f"{span}, the last {last.value:.2f}. {outlook(series[-1])}"


def outlook(series: Series) -> str:
    """When the limit is reached, or why that is not said."""
    found = series.projection
    if found is None:
        return f"No projection. {series.reason}"
    return (
        f"Reaches {series.limit_grade} at about {found.hours:.0f} running hours "
        f"({found.earliest:.0f} to {found.latest:.0f}, {found.level:.0%} interval)."
    )


class _Frame:
    """Maps hours and values to the picture."""

    def __init__(self, first: float, last: float, top: float) -> None:
        self.first, self.last, self.top = first, last, top
        self.left, self.right = float(LEFT), float(WIDTH - RIGHT)

    @classmethod
    def around(cls, series: Sequence[Series]) -> _Frame:
        points = [point for one in series for point in one.points]
        first, last = points[0].hours, points[-1].hours
        found = series[-1].projection
        if found is not None:
            # An interval's far end may lie years ahead; the points must stay readable.
            last = min(found.latest, found.hours + (found.hours - first))
        room = max((last - first) * 0.05, 5.0)
        top = max(series[-1].limit, *(point.high for point in points)) * 1.1
        return cls(first - room, last + room, top)

    def x(self, hours: float) -> float:
        return LEFT + (hours - self.first) / (self.last - self.first) * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        return TOP + (1 - min(max(value, 0.0), self.top) / self.top) * (HEIGHT - TOP - BOTTOM)


def _axes(frame: _Frame) -> list[str]:
    base = HEIGHT - BOTTOM
    pieces = [_stroke(LEFT, TOP, LEFT, base, 'class="axis"'), _stroke(LEFT, base, frame.right, base, 'class="axis"')]
    for hours in ticks(frame.first, frame.last):
        x = frame.x(hours)
        pieces.append(_stroke(x, base, x, base + 4, 'class="axis"'))
        pieces.append(f'<text x="{x:.1f}" y="{base + 18}" text-anchor="middle">{hours:.0f}</text>')
    for value in ticks(0, frame.top):
        y = frame.y(value)
        pieces.append(_stroke(LEFT - 4, y, LEFT, y, 'class="axis"'))
        pieces.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{value:.3g}</text>')
    pieces.append(f'<text x="{frame.right:.1f}" y="{HEIGHT - 6}" text-anchor="end">running hours</text>')
    return pieces


def _stroke(x1: float, y1: float, x2: float, y2: float, rest: str) -> str:
    width = "" if "stroke-width" in rest else ' stroke-width="1.5"'
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="currentColor"{width} {rest}/>'
