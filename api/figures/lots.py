"""Is this lot worse than the others? One-sided exact tests of each lot against the rest, corrected for many lots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearvision_api.figures.curve import NORMAL_95

LEVEL = 0.95
ALARM = 0.05
"""Chance of any false alarm over all lots of a comparison, by Holm's correction."""
Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LotCount:
    """What is counted of one lot.

    Attributes:
        name: Unique among those compared.
        found: Parts that count, such as those that failed, ≥ 0.
        of: Parts looked at, ≥ ``found``.
        expected: How many would count if all lots lived alike, up to a common factor; None where shares are compared.
    """

    name: str
    found: int
    of: int
    expected: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.found <= self.of or (self.expected is not None and self.expected < 0):
            raise ValueError(f"lot {self.name}: {self.found} of {self.of}, expected {self.expected}")


@dataclass(frozen=True, slots=True)
class LotFigure:
    """One lot beside the rest.

    Attributes:
        name: Of the lot.
        found: Parts that count.
        of: Parts looked at.
        share: ``found`` / ``of``; None where ``of`` is 0.
        low: Lower end of the share's 95 % interval.
        high: Upper end.
        expected: How many would count if all lots lived alike, with the same sum as ``found``; None for shares.
        ratio: ``found`` / ``expected``; None where nothing is expected.
        ratio_low: Lower end of the ratio's 95 % interval.
        ratio_high: Upper end.
        p: Chance of so many or more if this lot were like the rest.
        p_holm: The same corrected for the number of lots, family-wise.
        p_bh: Benjamini-Hochberg: share of false alarms among the lots up to this one, at most.
        worse: Whether ``p_holm`` ≤ ``ALARM``.
    """

    name: str
    found: int
    of: int
    share: float | None
    low: float | None
    high: float | None
    expected: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    p: float
    p_holm: float
    p_bh: float
    worse: bool


def compare_shares(lots: Sequence[LotCount]) -> list[LotFigure]:
    """Fisher's exact test of each lot's share against that of all other lots together; worst first.

    Args:
        lots: Two or more; those with nothing looked at have p 1.

    Source: Fisher, 1935; Holm, 1979; Benjamini and Hochberg, 1995 (from memory).
    """
    from scipy.stats import hypergeom

    found, looked = _counts(lots)
    p = hypergeom.sf(found - 1, looked.sum(), found.sum(), looked)
    return _figures(lots, np.clip(p, 0.0, 1.0), [None] * len(lots))


def compare_rates(lots: Sequence[LotCount]) -> list[LotFigure]:
    """Exact test of each lot's count against what is expected of it at its age; worst first.

    Given all that were found, a lot's count is binomial with its share of what is expected, if counts are Poisson:
    rare failures. Where a good part of a lot has failed the test errs on the safe side.

    Args:
        lots: Two or more, each with ``expected``.

    Source: conditional test of Poisson rates, Przyborowski and Wilenski, 1940; intervals of the ratio by Garwood, 1936;
    Holm, 1979; Benjamini and Hochberg, 1995 (from memory).
    """
    from scipy.stats import binom

    found, _ = _counts(lots)
    expected = np.array([lot.expected for lot in lots], float)
    if np.isnan(expected).any():
        raise ValueError("every lot needs what is expected of it")
    weight = expected.sum()
    share = expected / weight if weight > 0 else np.full(len(lots), 1 / len(lots))
    p = binom.sf(found - 1, found.sum(), share)
    return _figures(lots, np.clip(p, 0.0, 1.0), list(share * found.sum()))


def share_interval(found: int, of: int) -> tuple[float, float] | None:
    """Wilson's 95 % interval of a share (Wilson, 1927; from memory); None where nothing was looked at."""
    if of == 0:
        return None
    share, z = found / of, NORMAL_95
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    reach = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return (0.0 if found == 0 else middle - reach), (1.0 if found == of else middle + reach)


def count_intervals(found: NDArray[np.int64]) -> tuple[Vector, Vector]:
    """Exact 95 % intervals of Poisson counts, lower and upper ends (Garwood, 1936; from memory)."""
    from scipy.stats import chi2

    beyond = (1 - LEVEL) / 2
    low = np.where(found > 0, chi2.ppf(beyond, 2 * np.maximum(found, 1)) / 2, 0.0)
    return low, chi2.ppf(1 - beyond, 2 * found + 2) / 2


def holm(p: Vector) -> Vector:
    """Holm's step-down correction: rejecting what is ≤ α keeps the chance of any false alarm ≤ α."""
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    kept = np.empty_like(p)
    kept[order] = np.minimum(stepped, 1.0)
    return kept


def _counts(lots: Sequence[LotCount]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    if len(lots) < 2:
        raise ValueError("a lot is compared with others: it takes two or more")
    return np.array([lot.found for lot in lots]), np.array([lot.of for lot in lots])


def _figures(lots: Sequence[LotCount], p: Vector, expected: Sequence[float | None]) -> list[LotFigure]:
    from scipy.stats import false_discovery_control

    found, _ = _counts(lots)
    corrected = zip(p, holm(p), false_discovery_control(p), *count_intervals(found), strict=True)
    figures = [_figure(lot, hoped, *map(float, row)) for lot, hoped, row in zip(lots, expected, corrected, strict=True)]
    return sorted(figures, key=lambda figure: (figure.p, figure.name))


def _figure(
    lot: LotCount, expected: float | None, p: float, p_holm: float, p_bh: float, low: float, high: float
) -> LotFigure:
    ends = share_interval(lot.found, lot.of)
    ratio = ratio_low = ratio_high = None
    if expected:
        ratio, ratio_low, ratio_high = lot.found / expected, low / expected, high / expected
    return LotFigure(
        name=lot.name,
        found=lot.found,
        of=lot.of,
        share=lot.found / lot.of if lot.of else None,
        low=ends[0] if ends else None,
        high=ends[1] if ends else None,
        expected=expected,
        ratio=ratio,
        ratio_low=ratio_low,
        ratio_high=ratio_high,
        p=p,
        p_holm=p_holm,
        p_bh=p_bh,
        worse=p_holm <= ALARM,
    )
