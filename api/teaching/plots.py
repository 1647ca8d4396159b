"""Figures of agreement beside each other as SVG, in the look of the other plots; a table stands beside each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from wearvision_api.pages.plot import ticks
from wearvision_api.teaching.resampling import Figure

WIDTH = 420
LEFT, RIGHT, TOP, BOTTOM = 24, 16, 20, 46
ROW = 34
LEAST = -0.25
"""Where the axis begins unless a value lies lower; intervals that reach further leave the picture with an arrow."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A line of the picture: what it is about, and its figure."""

    label: str
    figure: Figure


def agreement_plot(bars: Sequence[Bar], across: str, title: str, name: str) -> str:
    """One row a figure: its value with the interval, from chance (0) to always (1).

    Args:
        bars: One or more with a value, in the order shown; those without are left out.
        across: What the values are, for people.
        title: What is drawn.
        name: Unique on the page, for the picture's own ids.
    """
    known = [bar for bar in bars if bar.figure.value is not None]
    height = TOP + ROW * len(known) + BOTTOM
    base = height - BOTTOM
    first = min([LEAST, *(bar.figure.value or 0.0 for bar in known)])

    def x(value: float) -> float:
        return LEFT + (max(value, first) - first) / (1 - first) * (WIDTH - LEFT - RIGHT)

    pieces = [
        f'<svg class="plot" role="img" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'aria-labelledby="{name}-title {name}-desc" font-size="13" fill="currentColor" stroke="none">',
        f'<title id="{name}-title">{escape(title)}</title>',
        f'<desc id="{name}-desc">{escape(describe(known))}</desc>',
        _stroke(LEFT, base, WIDTH - RIGHT, base, "axis"),
        _stroke(x(0), TOP - 8, x(0), base, "limit", 'stroke-dasharray="6 4"'),
    ]
    for value in ticks(first, 1.0):
        pieces.append(_stroke(x(value), base, x(value), base + 4, "axis"))
        pieces.append(f'<text x="{x(value):.1f}" y="{base + 18}" text-anchor="middle">{value:g}</text>')
    pieces.append(f'<text x="{WIDTH - RIGHT}" y="{base + 38}" text-anchor="end">{escape(across)}</text>')
    for place, bar in enumerate(known):
        at = TOP + ROW * place + 24
        value, low, high = bar.figure.value or 0.0, bar.figure.low, bar.figure.high
        pieces.append(f'<text class="label" x="{LEFT + 4}" y="{at - 9}">{escape(bar.label)}</text>')
        if low is not None and high is not None:
            pieces.append(_stroke(x(low), at, x(high), at, "interval", 'stroke-width="3"'))
            if low < first:
                pieces.append(f'<path class="beyond" d="M{LEFT + 6},{at - 5} l-6,5 l6,5 z"/>')
        pieces.append(f'<circle class="value" cx="{x(value):.1f}" cy="{at}" r="4.5"/>')
    return "".join([*pieces, "</svg>"])


def describe(bars: Sequence[Bar]) -> str:
    """What the picture shows, in words."""
    return " ".join(f"{bar.label}: {words(bar.figure)}." for bar in bars)


def words(figure: Figure) -> str:
    """A figure in words: value and interval, or why there is none."""
    if figure.value is None:
        return f"cannot be computed, because {figure.reason}"
    if figure.low is None or figure.high is None:
        return f"{figure.value:.2f}"
    return f"{figure.value:.2f} ({figure.low:.2f} to {figure.high:.2f})"


def _stroke(x1: float, y1: float, x2: float, y2: float, kind: str, rest: str = "") -> str:
    ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    width = "" if "stroke-width" in rest else ' stroke-width="1.5"'
    return f'<line class="{kind}" {ends} stroke="currentColor"{width} {rest}/>'
