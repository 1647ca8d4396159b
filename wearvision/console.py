"""A report for a person at a terminal."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.console import Console, ConsoleOptions, Group, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from wearvision.bars import Bar, bar, headline
from wearvision.parts import PARTS
from wearvision.report import MeasureLine, Report
from wearvision.standard import Limits
from wearvision.standard.checks import Answer

if TYPE_CHECKING:
    from wearvision.standard.starts import Starts

WIDE = 112
"""Columns from which a table shows everything; below it the measures' own names give way to the numbers."""
BAR_WIDE, BAR_NARROW = 26, 20
STYLES = {"serviceable": "green", "clean-and-reuse": "yellow", "replace": "bold red"}


def report_view(report: Report, limits: Limits, *, checks: bool = True) -> Group:
    """The report as something rich can print: headline, measures as bars, faults or hand checks."""
    pieces: list[Any] = [_title(report)]
    if report.refusal:
        pieces.append(Padding(Text(report.refusal), (0, 0, 0, 2)))
    pieces += [Padding(Text(f"{fault.kind}: {fault.advice}"), (0, 0, 0, 2)) for fault in report.faults]
    if report.usable:
        pieces.append(_Measures(report, limits))
        pieces += [Padding(Text(line), (0, 0, 0, 2)) for line in _notes(report)]
        if checks:
            pieces += list(_checks(report))
    return Group(*pieces, Text(""))


def _title(report: Report) -> Text:
    part = PARTS.get(report.part["name"] or "")
    what = f"{part.title}, {report.part['view']} view" if part else "no part"
    words = headline(report.grade, report.possible_grades, report.views_missing) if report.usable else "not judged"
    title = Text(f"{report.photo}  ", style="bold")
    title.append(f"{what}  ", style="default")
    title.append(words, style=STYLES.get(report.grade or "", "bold"))
    return title


@dataclass(frozen=True, slots=True)
class _Measures:
    """The table of measures, in as many columns as there is room for."""

    report: Report
    limits: Limits

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield _measures(self.report, self.limits, wide=options.max_width >= WIDE)


def _measures(report: Report, limits: Limits, *, wide: bool) -> Table:
    table = Table(box=None, padding=(0, 1), pad_edge=False)
    table.add_column("  wear", no_wrap=True)
    if wide:
        table.add_column("measure", no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("interval", no_wrap=True)
    table.add_column("limits (│)", no_wrap=True)
    table.add_column("says")
    for line in report.measures:
        names = [f"  {line.mode}", line.name] if wide else [f"  {line.mode}"]
        if line.value is None:
            said = f"not seen: {(line.reason or '').replace('_', ' ')}"
            table.add_row(*names, "-", "", "", Text(said, style="dim"))
            continue
        drawn = _drawn(bar(line, limits.row(report.part["name"], line.name)), line, BAR_WIDE if wide else BAR_NARROW)
        said_by = Text(line.grade or "", style=STYLES.get(line.grade or "", ""))
        table.add_row(*names, f"{line.value:.3f}", f"{line.low:.3f}-{line.high:.3f}", drawn, said_by)
    return table


def _drawn(place: Bar, line: MeasureLine, width: int) -> Text:
    """The bar in characters: ─ the interval, ◆ the value, │ where another grade begins."""
    cells = [" "] * width

    def cell(position: float) -> int:
        return min(int(position * width), width - 1)

    if place.value is not None and place.low is not None and place.high is not None:
        for index in range(cell(place.low), cell(place.high) + 1):
            cells[index] = "─"
    for position, _ in place.ticks:
        cells[cell(position)] = "│"
    if place.value is not None:
        cells[cell(place.value)] = "◆"
    return Text("".join(cells), style=STYLES.get(line.grade or "", ""))


def _notes(report: Report) -> Iterable[str]:
    if report.not_seen:
        yield "Not seen, so not cleared: " + ", ".join(report.not_seen) + "."
    shares = ", ".join(f"{grade} {share:.0%}" for grade, share in report.probabilities.items())
    yield f"How likely: {shares}. From the photo only; a measurement wins over it."
    for setting in report.settings:
        name = setting.name.replace("_", " ")
        yield f"{name}: {setting.value:.1f} {setting.unit} ({setting.low:.1f}-{setting.high:.1f}). {setting.note}"
    for line in report.measures:
        if line.note:
            yield f"{line.mode}: {line.note}"


def _checks(report: Report) -> Iterable[Any]:
    yield Text("  Check by hand before you decide:", style="bold")
    for check in report.checks:
        yield Padding(Text.assemble((check.title, "bold"), f"  [{check.id}]\n{check.why}"), (0, 0, 0, 4))
    if report.causes:
        yield Text("  What may have ruined it (look here, or the new part fails too):", style="bold")
        for cause in report.causes:
            yield Padding(Text(f"{cause.title}: {'; '.join(cause.look_at)}"), (0, 0, 0, 4))
    yield Text("  Take care:", style="bold")
    for caution in report.cautions:
        yield Padding(Text(caution), (0, 0, 0, 4))


def check_view(check: Any) -> Group:
    """One hand check in full: needs, steps, cautions, what the reading means, source."""
    return _in_full(check, [] if check.reading is None else [_reading(check.reading)])


def counter_view(check: Any) -> Group:
    """One check at the counter in full: needs, steps, cautions, what is entered, source."""
    entries = [
        f"Enter {one.key}{'' if one.required else ' (may be left out)'}: {one.title}"
        + (f", {one.unit}" if one.unit else "")
        + (f"; words: {', '.join(one.words)}" if one.words else "")
        for one in check.fields
    ]
    wanted = "A decision waits for it." if check.required else "May be left out; it settles a doubt."
    return _in_full(check, [*filter(None, [check.note]), *entries, wanted])


def _in_full(check: Any, lines: Iterable[str]) -> Group:
    pieces: list[Any] = [
        Text.assemble((check.title, "bold"), f"  [{check.id}]"),
        Padding(Text(check.why), (0, 0, 0, 2)),
    ]
    if check.needs:
        pieces.append(Padding(Text("You need: " + ", ".join(check.needs)), (0, 0, 0, 2)))
    pieces += [Padding(Text(f"! {caution}", style="bold"), (0, 0, 0, 2)) for caution in check.cautions]
    pieces += [Padding(Text(f"{number}. {step}"), (0, 0, 0, 2)) for number, step in enumerate(check.steps, 1)]
    pieces += [Padding(Text(line), (0, 0, 0, 2)) for line in lines]
    pieces.append(Padding(Text(f"Source: {check.source}", style="dim"), (0, 0, 0, 2)))
    return Group(*pieces, Text(""))


def _reading(reading: Any) -> str:
    expect = dict(reading.expect)
    if "text" in expect:
        good = str(expect["text"])
    else:
        ends = [
            f"from {expect['low']:g}" if "low" in expect else "",
            f"to {expect['high']:g}" if "high" in expect else "",
        ]
        good = " ".join(end for end in ends if end) + f" {reading.unit}"
    words = f" Words: {', '.join(reading.words)}." if reading.words else ""
    return f"Reading: {reading.quantity}. Good: {good}.{words}"


def starts_view(data: Starts) -> Group:
    """The symptoms from which a walk may start."""
    lines = [
        Text.assemble((start.title, "bold"), f"  [{start.id}]\n  {start.seen_as}") for start in data.starts.values()
    ]
    return Group(*lines, Text("wearvision start SYMPTOM prints the checks of one."))


def start_view(data: Starts, symptom: str) -> Group:
    """The checks of a symptom in order, each with what its answers mean and where they lead."""
    start = data.start(symptom)
    pieces: list[Any] = [Text.assemble((start.title, "bold"), f"  [{start.id}]\n{start.seen_as}\n")]
    for check in data.checks_of(symptom):
        pieces.append(check_view(check))
        for answer in check.reading.answers if check.reading else ():
            after = data.after(symptom, check.id, answer.next)
            said = _outcome(answer, check.reading.unit if check.reading else "")
            pieces.append(Padding(Text.assemble((said, "bold"), f": {answer.text} → {after.title}"), (0, 0, 0, 4)))
        pieces.append(Text(""))
    pieces.append(Text("Where it may end", style="bold"))
    for end in data.to_dict(symptom)["ends"]:
        pieces.append(Padding(Text.assemble((end["title"], "bold"), f": {end['text']}"), (0, 0, 0, 2)))
    return Group(*pieces, Text(""))


def _outcome(answer: Answer, unit: str) -> str:
    """A band or word as a person reads it."""
    return answer.word or f"{answer.low:g} to below {answer.high:g} {unit}"


def out() -> Console:
    """Standard output; plain where it is not a terminal."""
    console = Console(highlight=False, soft_wrap=False)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = WIDE  # a pipe or file has no width of its own; the fallback of 80 would cut the table
    return console
