"""What the page of figures shows: life, lots and months in words, tables and pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from wearvision_api.figures.curve import Curve, Step
from wearvision_api.figures.life import Unsaid
from wearvision_api.figures.lots import LotFigure
from wearvision_api.figures.months import By, Month
from wearvision_api.figures.plots import Bar, lots_plot, survival_plot
from wearvision_api.figures.population import UNITS, Key
from wearvision_api.figures.weibull import Bounds, Fit
from wearvision_api.pages.return_words import cause_words
from wearvision_api.services.figures import Ages, LifeFigure, LotsFigure
from wearvision_api.store.return_tables import Fitted

MOST_STEPS, MOST_BARS, MOST_LOTS, MOST_MONTHS = 24, 20, 100, 36
SOURCES = {
    "fitted": "Parts fitted, as recorded below; what has not come back still runs.",
    "inspections": "Inspections that found the part good or replaced it, and returns of these machines.",
}
BY: tuple[tuple[By, str], ...] = (("cause", "class of cause"), ("part_number", "part number"), ("lot", "lot"))
Choice = tuple[str, str]


@dataclass(frozen=True, slots=True)
class LifeView:
    """How long parts live.

    Attributes:
        unsaid: What cannot be said and why.
        facts: Name and text.
        plot: Picture of the curve; empty where there is none.
        steps: Rows of the curve: time, still running, interval, failures, at risk.
        steps_note: Which rows are shown, where they are not all.
        notes: What a reader must know.
    """

    unsaid: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    plot: Markup
    steps: tuple[tuple[str, str, str, str, str], ...]
    steps_note: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LotRow:
    """A lot in the table: its name, counts, share with interval, expected, ratio with interval, p-values, verdict."""

    name: str
    count: str
    share: str
    expected: str
    ratio: str
    p: str
    p_holm: str
    p_bh: str
    verdict: str


@dataclass(frozen=True, slots=True)
class LotsView:
    """Whether a lot is worse than the others.

    Attributes:
        summary: In one sentence.
        counts: What is counted.
        rows: Worst first.
        rates: Whether expected and ratio are known.
        plot: Picture of the worst ones; empty where lots are not compared.
        plot_note: What the picture's line is.
        notes: What a reader must know.
    """

    summary: str
    counts: str
    rows: tuple[LotRow, ...]
    rates: bool
    plot: Markup
    plot_note: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FittedLine:
    """A line of the population."""

    name: str
    since: str
    count: str
    pace: str
    source: str
    strike: str


@dataclass(frozen=True, slots=True)
class FiguresContext:
    """The page of figures.

    Attributes:
        parts: Key and title of each part to choose from.
        part, part_number, lot, cause, by: What is chosen.
        causes, ways: Choices of class of cause, and of what months are counted by.
        part_title: Of the part.
        returns: How many returns there are.
        life: How long parts live.
        lots: Whether a lot is worse.
        months: Rows: month, group, count, share of the month's returns, rate to a thousand fitted.
        months_note: Which rows are shown, where they are not all.
        fitted: Newest lines of the population.
        older: Address of older lines; empty: none.
        may_write: Whether the population may be changed.
        fresh: Id for a line that the form makes.
    """

    parts: tuple[Choice, ...]
    part: str
    part_number: str
    lot: str
    cause: str
    by: str
    causes: tuple[Choice, ...]
    ways: tuple[Choice, ...]
    part_title: str
    returns: int
    life: LifeView
    lots: LotsView
    months: tuple[tuple[str, str, str, str, str], ...]
    months_note: str
    fitted: tuple[FittedLine, ...]
    older: str
    may_write: bool
    fresh: str


def life_view(figure: LifeFigure, title: str) -> LifeView:
    """How long parts live, or the ages of the returns and why no more can be said."""
    unit = UNITS[figure.unit]
    reasons = dict.fromkeys(one.reason for one in (figure.curve, figure.weibull) if isinstance(one, Unsaid))
    facts = [*_population_facts(figure), *_age_facts(figure.ages)]
    fit = None if isinstance(figure.weibull, Unsaid) else figure.weibull
    if fit is not None:
        facts += _fit_facts(fit, unit)
    if isinstance(figure.curve, Unsaid):
        return LifeView(tuple(reasons), tuple(facts), Markup(""), (), "", figure.notes)
    curve = figure.curve
    half = curve.reached(0.5)
    facts.append(("Half have failed by", "not seen yet" if half is None else f"{half:,.0f} {unit}"))
    picture = survival_plot(curve, fit, unit, f"{title}: share still running", "life")
    rows = tuple(_step_row(step) for step in _thinned(curve.steps))
    note = f"{len(rows)} of {len(curve.steps)} rows." if len(rows) < len(curve.steps) else ""
    return LifeView(tuple(reasons), tuple(facts), Markup(picture), rows, note, (*figure.notes, *_curve_notes(curve)))


def _population_facts(figure: LifeFigure) -> list[tuple[str, str]]:
    facts = [("Returns", f"{figure.returns:,}")]
    if figure.source in SOURCES:
        facts.append(("Population", SOURCES[figure.source]))
        facts.append(("Parts", f"{figure.parts:,}, of which {figure.failures:,} failed"))
    return facts


def _age_facts(ages: Ages) -> list[tuple[str, str]]:
    if ages.least is None or ages.middle is None or ages.most is None:
        return [("Ages of the returns", "none is on record")]
    words = f"{ages.least:,.0f} to {ages.most:,.0f} {UNITS[ages.unit]}, half of them by {ages.middle:,.0f}"
    return [("Ages of the returns", f"{words} (n {ages.known:,})")]


def _fit_facts(fit: Fit, unit: str) -> list[tuple[str, str]]:
    shape = fit.shape
    if shape.high is not None and shape.high < 1:
        word = "early failures: the longer it runs, the rarer"
    elif shape.low is not None and shape.low > 1:
        word = "wearing out: the longer it runs, the more often"
    else:
        word = "the interval holds 1, so early failures, chance and wearing out are all possible"
    facts = [("Shape (Weibull)", f"{bounds_words(shape, '{:.2f}')}: {word}")]
    for title, bounds in (("One in ten has failed by (B10)", fit.b10), ("63 % have failed by (scale)", fit.scale)):
        text = bounds_words(bounds, "{:,.0f}", unit)
        beyond = f". Nothing was seen beyond {fit.last:,.0f}: carried on, not observed"
        facts.append((title, text + beyond if bounds.value > fit.last else text))
    return facts


def bounds_words(bounds: Bounds, form: str, unit: str = "") -> str:
    """An estimate with its interval in words; an open end is said."""
    low = "no lower end" if bounds.low is None else form.format(bounds.low)
    high = "no upper end" if bounds.high is None else form.format(bounds.high)
    return f"{form.format(bounds.value)}{f' {unit}' if unit else ''} (95 % interval {low} to {high})"


def _curve_notes(curve: Curve) -> list[str]:
    if curve.method == "Kaplan-Meier":
        return ["The band is the 95 % interval at each time (Greenwood, log-minus-log), not of the curve as a whole."]
    notes = [
        "Failures were found between two times, so the curve falls somewhere between them; it is drawn as a slope, "
        "and no interval holds for it. The intervals of the formula (Weibull) do."
    ]
    if curve.rounded:
        notes.append(f"Times were rounded to {curve.rounded:.3g} to keep the reckoning short.")
    return notes


def _thinned(steps: Sequence[Step]) -> list[Step]:
    if len(steps) <= MOST_STEPS:
        return list(steps)
    return [steps[round(place * (len(steps) - 1) / (MOST_STEPS - 1))] for place in range(MOST_STEPS)]


def _step_row(step: Step) -> tuple[str, str, str, str, str]:
    time = f"{step.time:,.0f}" if step.since == step.time else f"{step.since:,.0f} to {step.time:,.0f}"
    interval = "none" if step.low is None or step.high is None else f"{step.low:.1%} to {step.high:.1%}"
    failures = "not known" if step.failures is None else f"{step.failures:,}"
    return (
        time,
        f"{step.survival:.1%}",
        interval,
        failures,
        "not known" if step.at_risk is None else f"{step.at_risk:,}",
    )


def lots_view(figure: LotsFigure, title: str) -> LotsView:
    """Whether a lot is worse than the others, in a sentence, a table and a picture."""
    rates = figure.basis == "fitted"
    cause = cause_words(figure.cause).lower() if figure.cause else ""
    counts = (
        f"failures{f' by {cause}' if cause else ''} of the parts fitted" if rates else f"share of {cause} in returns"
    )
    if figure.reason:
        return LotsView(figure.reason, counts, (), rates, Markup(""), "", figure.notes)
    worse = [lot_name(key) for key, one in figure.lots if one.worse]
    summary = (
        f"Worse than the others: {', '.join(worse)}."
        if worse
        else "No lot is clearly worse than the others. That does not show that all are alike: few parts show little."
    )
    rows = tuple(_lot_row(lot_name(key), one) for key, one in figure.lots[:MOST_LOTS])
    counts += f"; the {len(rows)} most conspicuous of {len(figure.lots)}" if len(rows) < len(figure.lots) else ""
    shown = figure.lots[:MOST_BARS]
    bars = [bar for key, one in shown if (bar := _bar(lot_name(key), one, rates)) is not None]
    whole = sum(one.found for _, one in figure.lots) / max(sum(one.of for _, one in figure.lots), 1)
    line, across = (1.0, "failed to expected") if rates else (whole, f"share of {cause}")
    picture = lots_plot(bars, line, across, f"{title}: lots beside each other", "lots") if bars and line else ""
    words = "as many as expected" if rates else f"the share of all lots together, {whole:.1%}"
    note = f"The {len(bars)} lots that stand out most, with 95 % intervals; the broken line is {words}."
    return LotsView(summary, counts, rows, rates, Markup(picture), note if picture else "", figure.notes)


def lot_name(key: Key) -> str:
    """Part number and lot in words."""
    number, lot = key
    return f"{number or 'number not told'}, lot {lot or 'not told'}"


def _lot_row(name: str, one: LotFigure) -> LotRow:
    share = "none" if one.share is None else f"{one.share:.2%} ({one.low:.2%} to {one.high:.2%})"
    ratio = "" if one.ratio is None else f"{one.ratio:.2f} ({one.ratio_low:.2f} to {one.ratio_high:.2f})"
    return LotRow(
        name=name,
        count=f"{one.found:,} of {one.of:,}",
        share=share,
        expected="" if one.expected is None else f"{one.expected:.1f}",
        ratio=ratio,
        p=p_words(one.p),
        p_holm=p_words(one.p_holm),
        p_bh=p_words(one.p_bh),
        verdict="worse" if one.worse else "not shown to be worse",
    )


def p_words(p: float) -> str:
    """A p-value, no smaller than anybody needs it."""
    return "< 0.0001" if p < 0.0001 else f"{p:.4f}"


def _bar(name: str, one: LotFigure, rates: bool) -> Bar | None:
    value, low, high = (one.ratio, one.ratio_low, one.ratio_high) if rates else (one.share, one.low, one.high)
    return None if value is None or low is None or high is None else Bar(name, value, low, high, one.worse)


def month_rows(rows: Sequence[Month], by: str) -> tuple[tuple[str, str, str, str, str], ...]:
    """Months as they are shown."""

    def row(one: Month) -> tuple[str, str, str, str, str]:
        group = cause_words(one.group) if by == "cause" else one.group or "not told"
        rate = "population unknown"
        if one.rate is not None and one.rate_low is not None and one.rate_high is not None:
            rate = f"{one.rate:.2f} ({one.rate_low:.2f} to {one.rate_high:.2f})"
        share = f"{one.share:.0%} ({one.low:.0%} to {one.high:.0%})"
        return one.month, group, f"{one.found} of {one.of}", share, rate

    return tuple(map(row, rows[:MOST_MONTHS]))


def fitted_line(row: Fitted) -> FittedLine:
    """A line of the population as it is shown."""
    return FittedLine(
        name=lot_name((row.part_number, row.lot)),
        since=row.since.isoformat(),
        count=f"{row.count:,}",
        pace="not known" if row.hours_a_day is None else f"{row.hours_a_day:g} h a day",
        source=row.source,
        strike=f"/figures/fitted/{row.id}/strike",
    )
