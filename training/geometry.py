"""How well geometry measures when the regions are right: the table behind ``geometry``, without a network."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import click
import numpy as np

SIZES = (40, 80, 160)
"""Radii in pixels at which figures are drawn: of the rim, the end's face, the window."""

STUDIO_PX = {"tip_loss": 320, "bow_ratio": 640, "film_loss": 320, "haze": 320}
"""Side of the studio's pictures; a bow that matters is a hundredth of a length, and must be some pixels."""

TARGETS = {
    "rim_deviation": 0.008,
    "profile_deviation": 0.008,
    "corner_rounding": 0.05,
    "crack_ratio": 0.05,
    "film_loss": 0.03,
    "haze": 0.03,
}
"""Mean absolute error to stay under, for cracks relative; measures without an entry have none set."""


@dataclass(frozen=True, slots=True)
class Score:
    """One row.

    Attributes:
        name: Measure, and what else tells the row apart.
        size_px: Radius of the figure, or side of the picture.
        worn: Cases worn beyond the serviceable limit that were measured.
        unmeasured: Worn cases that were not.
        error: Mean absolute error over those measured; of cracks relative to the truth.
        constant: The same of the best constant answer, the median of the truths.
        covered: Share of those measured whose interval holds the truth.
        absent: Cases without the mode that were measured.
        alarms: Share of those read at or over the serviceable limit.
        target: The error to stay under; None where none is set.
    """

    name: str
    size_px: int
    worn: int
    unmeasured: int
    error: float
    constant: float
    covered: float
    absent: int
    alarms: float
    target: float | None


def scores(count: int, seed: int) -> Iterator[Score]:
    """The rows one by one; each case from its own seed, so that the table depends on ``count`` and ``seed`` only.

    Args:
        count: Worn cases a row, > 0; half as many are drawn without that wear.
        seed: Of all chance.
    """
    from wearvision.standard.limits import load_limits
    from wearvision_training.geometry_cases import DRAWN, STUDIO, studio_cases

    rows = load_limits().rows
    for name, (part, measure, case) in DRAWN.items():
        for size in SIZES:
            rng = np.random.default_rng([seed, size, zlib.crc32(name.encode())])
            answers = [case(size, rng, number < count) for number in range(count + count // 2)]
            pairs = ((answer.true, answer.outcome) for answer in answers)
            yield _score(name, size, pairs, rows[part, measure].serviceable_below, TARGETS[measure])
    for measure, (part, _, _) in STUDIO.items():
        limit = rows[part, measure].serviceable_below
        size = STUDIO_PX[measure]
        rng = np.random.default_rng([seed, size, zlib.crc32(measure.encode())])
        pairs = ((answer.true, answer.outcome) for answer in studio_cases(measure, size, count, limit, rng))
        yield _score(measure, size, pairs, limit, TARGETS.get(measure))


def _score(name: str, size: int, pairs: Iterable[tuple[float, object]], limit: float, target: float | None) -> Score:
    """The row of some truths and outcomes."""
    from wearvision.measure.result import Measured

    true, said, held, absent, unmeasured = [], [], [], [], 0
    for truth, outcome in pairs:
        if truth > 0 and not isinstance(outcome, Measured):
            unmeasured += 1
        elif isinstance(outcome, Measured) and truth > 0:
            true.append(truth)
            said.append(outcome.value)
            held.append(outcome.low <= truth <= outcome.high)
        elif isinstance(outcome, Measured):
            absent.append(outcome.value >= limit)
    truths = np.array(true)
    scale = truths if "relative" in name else np.ones(len(truths))
    return Score(
        name=name,
        size_px=size,
        worn=len(truths),
        unmeasured=unmeasured,
        error=float(np.mean(np.abs(np.array(said) - truths) / scale)) if true else float("nan"),
        constant=float(np.mean(np.abs(truths - np.median(truths)) / scale)) if true else float("nan"),
        covered=float(np.mean(held)) if true else float("nan"),
        absent=len(absent),
        alarms=float(np.mean(absent)) if absent else float("nan"),
        target=target,
    )


HEAD = (
    "measure                           size px  worn  unmeas.  error   constant  covered  absent  alarms  target  met"
)


def line_of(row: Score) -> str:
    """A row as text under ``HEAD``; an error that is not a number has met nothing."""
    met = "-"
    if row.target is not None:
        met = "yes" if row.error <= row.target and row.error < row.constant else "no"
    target = "-" if row.target is None else f"{row.target:.3f}"
    return (
        f"{row.name:<34}{row.size_px:>7}{row.worn:>6}{row.unmeasured:>9}{row.error:>8.4f}{row.constant:>10.4f}"
        f"{row.covered:>9.2f}{row.absent:>8}{row.alarms:>8.2f}{target:>8}  {met}"
    )


@click.command("geometry")
@click.option("--n", "count", default=20, show_default=True, type=click.IntRange(2, 2000), help="Worn cases a row.")
@click.option("--seed", default=1, show_default=True, help="Of all chance.")
def geometry(count: int, seed: int) -> None:
    """Measures true region masks, without a network, and prints the error of each measure."""
    click.echo("True bool masks, tilts to 35 degrees. error: mean absolute over worn cases (at or over the serviceable")
    click.echo("limit); constant: the same of the median of the truths; alarms: cases without the mode read at or over")
    click.echo("that limit. size: radius of the figure; from tip_loss on, side of a studio picture.")
    click.echo(HEAD)
    for row in scores(count, seed):
        click.echo(line_of(row))
