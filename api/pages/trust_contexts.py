"""What the page of how often the photo was right shows, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import urlencode

from markupsafe import Markup

from wearvision.parts import PARTS
from wearvision.standard.grades import GRADES
from wearvision_api.accounts.roles import Caller
from wearvision_api.figures.plots import Mark, Point, shares_plot
from wearvision_api.trust import drift
from wearvision_api.trust.asking import odds
from wearvision_api.trust.over_time import ModelLine, Period, Turn
from wearvision_api.trust.overview import ALARM_LOOKS, Alarm, Asked, Overview
from wearvision_api.trust.rates import CheckLine, GradeLine
from wearvision_api.trust.shares import Share

SINCE = (("year", "The last 365 days"), ("model", "The model in use"), ("all", "All, since checks are asked for"))
EVERY = (("month", "Month"), ("quarter", "Quarter"))
NUMBERS = {
    "softness": "softness of edges",
    "brightness": "brightness of the part",
    "clipped": "area that is washed out",
    "size_px": "size of the part in pixels",
    "energy": "how familiar the network finds it",
    "none": "probability that it shows no part",
    drift.UNUSABLE: "photos that could not be judged",
}


@dataclass(frozen=True, slots=True)
class ShareView:
    """A share in words: value with interval, what it stands on, and its bounds."""

    share: str
    asked: str
    bounds: str


@dataclass(frozen=True, slots=True)
class GradeView:
    """A row by part and grade."""

    title: str
    grades: int
    share: ShareView
    confirmed: int
    overridden: int
    contradicted: int
    by_eye: str
    unasked: int


@dataclass(frozen=True, slots=True)
class ChangeView:
    """One number beside what it was."""

    title: str
    before: str
    after: str
    counts: str
    chance: str
    is_alarm: bool


@dataclass(frozen=True, slots=True)
class AlarmView:
    """The drift alarm.

    Attributes:
        is_raised: Whether a look of the last weeks raised it.
        headline: One sentence.
        changes: What changed, one sentence each, at the newest look that raised it.
        advice: What to do.
        tests: All tests of the newest look.
        untested: What could not be tested, and why.
    """

    is_raised: bool
    headline: str
    changes: tuple[str, ...]
    advice: tuple[str, ...]
    tests: tuple[ChangeView, ...]
    untested: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrustContext:
    """The page.

    Attributes:
        parts: Key and title.
        sinces: Value and label.
        grades: Value and label.
        everies: Value and label.
        asked: What was chosen.
        is_empty: Whether no grade counts.
        sentences: How often the photo was right, one sentence a grade; each with its counts and bounds.
        promise: The rate actually achieved, in one sentence.
        promise_note: What it stands on.
        lines: By part and grade.
        checks: By hand check: title, modes, share, worse, better.
        plot: Over time; empty without a value.
        periods: Its numbers: name, grades, share.
        models: By model: id, from, to, grades, confirmed, possible grades that held.
        odds: Chance of a sure serviceable to be drawn, in words.
        alarm: The drift alarm.
        false_alarms: Chance of one in a year, in percent.
        table: Address of the table.
        may_teach: Whether the way to the trainer's pages is shown.
    """

    parts: tuple[tuple[str, str], ...]
    sinces: tuple[tuple[str, str], ...]
    grades: tuple[tuple[str, str], ...]
    everies: tuple[tuple[str, str], ...]
    asked: Asked
    is_empty: bool
    sentences: tuple[tuple[str, str], ...]
    promise: str
    promise_note: str
    lines: tuple[GradeView, ...]
    checks: tuple[tuple[str, str, ShareView, int, int], ...]
    plot: Markup
    periods: tuple[tuple[str, int, ShareView], ...]
    models: tuple[tuple[str, str, str, int, str, str], ...]
    odds: str
    alarm: AlarmView
    false_alarms: str
    table: str
    may_teach: bool


def trust_context(found: Overview, alarm: Alarm, asked: Asked, who: Caller) -> TrustContext:
    """Puts the figures into words.

    Args:
        found: The figures.
        alarm: What the drift alarm says.
        asked: What they are over.
        who: Who sees it.
    """
    choice = {"part": asked.part, "since": asked.since, "grade": asked.grade, "every": asked.every}
    return TrustContext(
        parts=(("", "All"), *((key, spec.title.capitalize()) for key, spec in PARTS.items())),
        sinces=SINCE,
        grades=tuple((grade, grade.capitalize()) for grade in GRADES),
        everies=EVERY,
        asked=asked,
        is_empty=found.grades == 0,
        sentences=tuple((sentence(grade, share), _stands_on(share)) for grade, share in found.totals),
        promise=_promise(found.promise, found.stated),
        promise_note=_stands_on(found.promise),
        lines=tuple(map(_grade_view, found.lines)),
        checks=tuple(map(_check_row, found.checks)),
        plot=_plot(found.periods, found.turns, found.model, asked),
        periods=tuple((one.name, one.grades, share_view(one.share)) for one in reversed(found.periods)),
        models=tuple(map(_model_row, reversed(found.models))),
        odds=odds(found.share),
        alarm=alarm_view(alarm, who),
        false_alarms=f"{100 * drift.ALARM_YEAR:g}",
        table=f"/api/v1/trust/table.csv?{urlencode(choice)}",
        may_teach=who.may("teaching:read"),
    )


def sentence(grade: str, share: Share) -> str:
    """How often the photo was right, for people; interval ends are rounded outward."""
    if share.value is None or share.low is None or share.high is None:
        return f"How many of the parts called {grade} are so cannot be said yet. {share.reason}"
    low, high = math.floor(100 * share.low + 1e-9), math.ceil(100 * share.high - 1e-9)
    were = f"{100 * share.value:.0f} were; between {low} and {high}"
    return f"Of 100 parts called {grade} and checked by hand, {were}."


def _stands_on(share: Share) -> str:
    if not share.asked:
        return ""
    words = f"{share.answered} of {share.asked} checks asked for have come back."
    if share.answered < share.asked and share.least is not None and share.most is not None:
        words += (
            f" Had all the others gone against the photo it would be {100 * share.least:.0f} of 100, "
            f"had all borne it out {100 * share.most:.0f}."
        )
    return words


def share_view(share: Share) -> ShareView:
    """A share for a table."""
    if share.value is None or share.low is None or share.high is None:
        text = "not said yet"
    else:
        text = f"{share.value:.0%} ({share.low:.0%} to {share.high:.0%})"
    bounds = "" if share.least is None or share.most is None else f"{share.least:.0%} to {share.most:.0%}"
    return ShareView(text, f"{share.answered} of {share.asked}", bounds)


def _promise(share: Share, stated: float | None) -> str:
    if share.value is None or share.low is None or share.high is None:
        return f"How often the possible grades held the one found by hand cannot be said yet. {share.reason}"
    beside = f" The model states {stated:.0%}." if stated is not None else ""
    return (
        f"The grades that the photo left possible held the one found by hand in {share.value:.0%} of cases "
        f"({share.low:.0%} to {share.high:.0%}).{beside}"
    )


def _grade_view(line: GradeLine) -> GradeView:
    eye = f"{line.by_eye} ({line.by_eye_other} otherwise)" if line.by_eye_other else str(line.by_eye)
    return GradeView(
        title=f"{PARTS[line.part].title.capitalize()}: {line.grade}",
        grades=line.grades,
        share=share_view(line.share),
        confirmed=line.confirmed,
        overridden=line.overridden,
        contradicted=line.contradicted,
        by_eye=eye,
        unasked=line.unasked,
    )


def _check_row(line: CheckLine) -> tuple[str, str, ShareView, int, int]:
    spec = PARTS[line.part]
    modes = ", ".join(spec.mode(key).title for key in line.modes)
    return f"{spec.title.capitalize()}: {line.title}", modes, share_view(line.share), line.worse, line.better


def _model_row(line: ModelLine) -> tuple[str, str, str, int, str, str]:
    confirmed, promise = share_view(line.confirmed).share, share_view(line.promise).share
    return line.model or "unknown", f"{line.first:%Y-%m-%d}", f"{line.last:%Y-%m-%d}", line.grades, confirmed, promise


def _plot(periods: Sequence[Period], changes: Sequence[Turn], model: str, asked: Asked) -> Markup:
    points = list(_points(periods))
    if not points:
        return Markup("")
    marks = [Mark(one.model or model, _days(one.at)) for one in changes]
    part = PARTS[asked.part].title if asked.part else "all parts"
    words = f"Newest: {points[-1].label}, {points[-1].value:.0%} ({points[-1].low:.0%} to {points[-1].high:.0%})."
    within = [mark.label for mark in marks if points[0].at - 15 <= mark.at <= points[-1].at + 15]
    words += f" Models that came into use: {', '.join(within)}." if within else ""
    title = f"Called {asked.grade} and confirmed by hand, {part}"
    return Markup(shares_plot(points, marks, title, words, "over-time"))


def _points(periods: Sequence[Period]) -> Iterator[Point]:
    for one in periods:
        if one.share.value is not None and one.share.low is not None and one.share.high is not None:
            middle = (one.begins.toordinal() + one.ends.toordinal()) / 2
            yield Point(one.name, middle, one.share.value, one.share.low, one.share.high)


def _days(at: datetime) -> float:
    return at.astimezone(UTC).date().toordinal()


def alarm_view(alarm: Alarm, who: Caller) -> AlarmView:
    """The alarm in words, with what to do."""
    if alarm.newest is None:
        least = f"{drift.FIRST_WEEKS + 1} weeks"
        headline = (
            f"Too early to say: it takes {least} of grades by the model in use ({alarm.model}, {alarm.grades} so far)."
        )
        return AlarmView(False, headline, (), (), (), ())
    tests = tuple(map(_change, alarm.newest.tests))
    if not alarm.raised:
        tested = f"{len(tests)} numbers compared" if tests else "nothing could be compared"
        headline = (
            f"No alarm at the weekly looks of the last {ALARM_LOOKS} weeks ({alarm.newest.at:%Y-%m-%d}: {tested})."
        )
        return AlarmView(False, headline, (), (), tests, alarm.newest.untested)
    newest, first = alarm.raised[0], alarm.raised[-1]
    still = "and still on" if newest.at == alarm.newest.at else "last on"
    headline = f"Alarm on {first.at:%Y-%m-%d}, {still} {newest.at:%Y-%m-%d}: something has changed since {alarm.model}"
    headline += " came into use."
    changes = tuple(_said(one) for one in newest.alarms)
    return AlarmView(True, headline, changes, tuple(_advice(newest, who)), tests, alarm.newest.untested)


def _title(test: drift.Compared) -> str:
    if test.kind == "checks":
        return f"Called {test.what} and confirmed by hand"
    part = f"{PARTS[test.part].title.capitalize()}: " if test.part else ""
    title = NUMBERS[test.what]
    return f"{part}{title}" if part else title.capitalize()


def _value(test: drift.Compared, value: float) -> str:
    return f"{value:.0%}" if test.kind == "checks" or test.what == drift.UNUSABLE else f"{value:.3g}"


def _said(test: drift.Compared) -> str:
    return f"{_title(test)}: {_value(test, test.before)} then, {_value(test, test.after)} now."


def _change(test: drift.Compared) -> ChangeView:
    return ChangeView(
        _title(test),
        _value(test, test.before),
        _value(test, test.after),
        f"{test.first} and {test.newest}",
        f"{test.p_holm:.2g}",
        test.alarm,
    )


def _advice(look: drift.Look, who: Caller) -> Iterator[str]:
    if any(one.kind == "photos" for one in look.alarms):
        yield "Look at the newest photos: another phone, lamp, bench or make of part? What can go back, put back."
    if any(one.kind == "checks" for one in look.alarms):
        yield "Read the grades that hand checks overrode; see that meter and leads are good before you blame the photo."
    yield "Until it is settled, do the hand checks of every part, also of those called serviceable."
    if who.may("teaching:read"):
        yield "Label some of the new photos, train on them and compare; a model that got worse can be taken back."
    else:
        yield "Tell the trainer: new photos can be labelled and the model trained anew, or taken back."
