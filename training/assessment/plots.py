"""The report's diagrams. Functions return a figure; ``as_source`` makes it something that a page can carry."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

BLUE, ORANGE, GREY = "#0072B2", "#D55E00", "#666666"
"""Told apart by people with any common colour blindness (palette of Okabe and Ito); shapes differ as well."""
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",  # text stays text: small, and read out by a screen reader that opens the picture
    "svg.hashsalt": "report",  # the same answers give the same page
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
}
THUMBNAIL = 320
QUALITY = 82


def reliability_plot(likeliest: Sequence[Mapping[str, Any]], replace: Sequence[Mapping[str, Any]]) -> Figure:
    """How often a grade was right against how likely it was said to be; on the diagonal the two are equal."""
    figure, axes = _blank(4.6, 4.2)
    axes.plot([0, 1], [0, 1], color=GREY, linewidth=1, linestyle="--")
    for bins, colour, marker, label, aside in (
        (likeliest, BLUE, "o", "likeliest grade", 0.0),
        (replace, ORANGE, "s", "replace", 0.006),
    ):
        if not bins:
            continue
        x = np.array([one["confidence"] for one in bins]) + aside
        _whiskers(axes, x, bins, colour, marker, label)
    axes.set(xlim=(-0.02, 1.03), ylim=(-0.02, 1.02), xlabel="stated probability", ylabel="share that was so")
    if likeliest or replace:
        axes.legend(frameon=False, loc="upper left")
    return figure


def _whiskers(
    axes: Axes, x: NDArray[np.float64], bins: Sequence[Mapping[str, Any]], colour: str, marker: str, label: str
) -> None:
    value = np.array([one["value"] for one in bins])
    below, above = (np.abs(np.array([one[end] for one in bins]) - value) for end in ("low", "high"))
    axes.errorbar(
        x, value, [below, above], fmt=marker, color=colour, markersize=5, elinewidth=1, capsize=2, label=label
    )


def scatter_plot(points: Sequence[Sequence[float]], limit: float, unit: str) -> Figure:
    """Read against true value of one measure, with the serviceable limit on both axes."""
    figure, axes = _blank(3.2, 3.0)
    data = np.array(points, np.float64).reshape(-1, 2)
    most = max(float(data.max(initial=0.0)), 1.6 * limit) * 1.05
    axes.plot([0, most], [0, most], color=GREY, linewidth=1, linestyle="--")
    axes.axvline(limit, color=ORANGE, linewidth=1)
    axes.axhline(limit, color=ORANGE, linewidth=1)
    # As pixels: thousands of points as lines would make the page too heavy for a phone.
    axes.plot(data[:, 0], data[:, 1], "o", color=BLUE, markersize=3, alpha=0.45, rasterized=True)
    suffix = "" if unit == "1" else f", {unit}"
    axes.set(xlim=(-0.02 * most, most), ylim=(-0.02 * most, most), xlabel=f"true value{suffix}", ylabel=f"read{suffix}")
    return figure


def strata_plot(classes: Sequence[Mapping[str, Any]]) -> Figure:
    """Share of wrong grades in each class of pictures, with its interval."""
    shown = [one for one in classes if one["wrong"]["of"]]
    figure, axes = _blank(5.2, 0.9 + 0.32 * max(len(shown), 1))
    places = np.arange(len(shown))
    value = np.array([one["wrong"]["value"] for one in shown]) * 100
    ends = [np.abs(np.array([one["wrong"][end] for one in shown]) * 100 - value) for end in ("low", "high")]
    axes.errorbar(value, places, xerr=ends, fmt="o", color=BLUE, markersize=5, elinewidth=1, capsize=2)
    axes.set_yticks(places, [f"{one['class']} ({one['wrong']['of']})" for one in shown])
    axes.set(xlim=(-1, None), ylim=(len(shown) - 0.5, -0.5), xlabel="wrong grades, % of judged")
    axes.grid(axis="x", color="#dddddd", linewidth=0.7)
    return figure


def _blank(width: float, height: float) -> tuple[Figure, Axes]:
    with rc_context(STYLE):
        figure = Figure((width, height), layout="constrained")
        return figure, figure.add_subplot()


def as_source(figure: Figure) -> str:
    """A figure as the address of an SVG picture that is all in the address."""
    drawn = io.BytesIO()
    with rc_context(STYLE):
        figure.savefig(drawn, format="svg", dpi=144, metadata={"Date": None})
    return f"data:image/svg+xml;base64,{base64.b64encode(drawn.getvalue()).decode('ascii')}"


def photo_source(image: NDArray[np.uint8], most: int = THUMBNAIL) -> str:
    """A picture, RGB uint8, as the address of a JPEG no larger than ``most`` pixels a side."""
    small = Image.fromarray(image)
    small.thumbnail((most, most))
    written = io.BytesIO()
    small.save(written, "JPEG", quality=QUALITY)
    return f"data:image/jpeg;base64,{base64.b64encode(written.getvalue()).decode('ascii')}"
