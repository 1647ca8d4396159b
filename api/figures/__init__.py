"""Figures over the returns: how long parts live, and whether a lot is worse than the others."""

from wearvision_api.figures.curve import Curve, Step, kaplan_meier, survival_curve, turnbull
from wearvision_api.figures.life import Life, Unsaid
from wearvision_api.figures.lots import LotCount, LotFigure, compare_rates, compare_shares
from wearvision_api.figures.weibull import Bounds, Fit, weibull

__all__ = [
    "Bounds",
    "Curve",
    "Fit",
    "Life",
    "LotCount",
    "LotFigure",
    "Step",
    "Unsaid",
    "compare_rates",
    "compare_shares",
    "kaplan_meier",
    "survival_curve",
    "turnbull",
    "weibull",
]
