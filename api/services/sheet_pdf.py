"""The sheet of an inspection as a PDF."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Image, KeepTogether, Spacer, Table

from wearvision.parts import PARTS
from wearvision_api.services.paper import WIDTH, Paper, boxed, document, flat, headed, picture, table
from wearvision_api.services.paper_grades import grade_line, measures_table
from wearvision_api.services.sheet import PartSeen, Sheet, moment

PICTURE = 36 * mm
MOST_PICTURES = 4
SHORT = 300
"""Longer remarks stand under the picture, not beside it: a table's row must fit on a page."""


def pdf(sheet: Sheet, bytes_of: Callable[[str], bytes]) -> bytes:
    """The sheet on A4.

    Args:
        sheet: What it says.
        bytes_of: Gives a blob's bytes.
    """
    page = Paper()
    story: list[Flowable] = [*_head(page, sheet)]
    for part in sheet.parts:
        story += _part(page, part, bytes_of)
    if not sheet.parts:
        story.append(page.text("No part has been graded at this visit."))
    story += _lines(page, sheet)
    return document(
        page,
        story,
        title=f"Inspection of {sheet.machine}",
        subject="Inspection sheet",
        foot=f"{sheet.machine} · inspection {sheet.id}",
    )


def _head(page: Paper, sheet: Sheet) -> Iterable[Flowable]:
    yield page.text("Inspection sheet", "small")
    yield page.text(sheet.machine, "title", bold=True)
    if sheet.description:
        yield page.text(sheet.description)
    yield Spacer(0, 4)
    cells = [page.pair(*fact) for fact in sheet.facts]
    rows = [cells[at : at + 3] for at in range(0, len(cells), 3)]
    yield table(rows, [WIDTH / 3] * 3)
    yield Spacer(0, 4)
    yield boxed(page.pair("Next service", sheet.due.reason))
    if sheet.notes:
        yield Spacer(0, 4)
        yield page.pair("Notes", sheet.notes)
    yield Spacer(0, 4)
    yield page.text(sheet.deference, "small", bold=True)


def _part(page: Paper, part: PartSeen, bytes_of: Callable[[str], bytes]) -> list[Flowable]:
    remarks = [*part.remarks, ("What was done", part.done or "not recorded")]
    words: list[Flowable] = [
        grade_line(page, part.grade, part.words),
        page.pair("Standing", part.standing),
        *(page.pair(name, flat(text)) for name, text in remarks if len(text) <= SHORT),
        page.text(f"Graded {moment(part.at)} by {part.by}", "small"),
    ]
    shown = [picture(bytes_of(digest), PICTURE) for digest in part.pictures[:MOST_PICTURES]]
    if len(part.pictures) > MOST_PICTURES:
        words.append(page.text(f"{len(part.pictures) - MOST_PICTURES} more pictures are on record.", "small"))
    side = (PICTURE + 3 * mm) * min(len(shown), 2)
    body = table([[_grid(shown) if shown else "", words]], [side, WIDTH - side])
    pieces: list[Flowable] = [KeepTogether([page.text(part.title.capitalize(), "head", bold=True), body])]
    pieces += [page.pair(name, text) for name, text in remarks if len(text) > SHORT]
    if part.measures:
        pieces += [Spacer(0, 3), measures_table(page, part.measures)]
    if part.readings:
        rows = [[page.text(one.title), page.text(one.entered), page.text(one.says)] for one in part.readings]
        pieces += [Spacer(0, 3), headed(page, ("Hand check", "Reading", "What it says"), rows, (0.28, 0.2, 0.52))]
    return pieces


def _lines(page: Paper, sheet: Sheet) -> Iterable[Flowable]:
    def titled(title: str, lines: Table) -> Flowable:
        return KeepTogether([page.text(title, "head", bold=True), lines])

    for walk in sheet.walks:
        rows = [[page.text(title), page.text(entered), page.text(says)] for title, entered, says in walk.steps]
        yield page.text(f"Where it was started from: {walk.title}", "head", bold=True)
        yield headed(page, ("Check", "Answer", "What it means"), rows, (0.28, 0.2, 0.52))
        if walk.end:
            yield page.pair("Came to", walk.end)
    if sheet.settings:
        rows = [[page.text(name), page.text(value)] for name, value in sheet.settings]
        yield titled("Settings measured", headed(page, ("Setting", "Value"), rows, (0.6, 0.4)))
    if sheet.causes:
        rows = [
            [
                [page.text(one.title)] + ([page.text(flat(one.note), "small")] if one.note else []),
                page.text(", ".join(PARTS[part].title for part in one.parts if part in PARTS) or "-"),
                page.text(one.finding, bold=one.finding == "found"),
            ]
            for one in sheet.causes
        ]
        yield titled("Causes", headed(page, ("Cause", "Points to it", "Finding"), rows, (0.6, 0.22, 0.18)))
    if sheet.parts_used:
        rows = [[page.text(count), page.text(what)] for count, what in sheet.parts_used]
        yield titled("Parts used", headed(page, ("Quantity", "Part"), rows, (0.15, 0.85)))
    cautions = [page.text("Cautions", "head", bold=True)]
    cautions += [page.text(f"• {line}", "small") for line in sheet.cautions]
    cautions += [Spacer(0, 4), *(page.text(line, "small") for line in sheet.basis)]
    yield KeepTogether(cautions)
    yield from page.notes()


def _grid(pictures: Sequence[Image]) -> Table:
    rows = [list(pictures[at : at + 2]) for at in range(0, len(pictures), 2)]
    if len(rows) > 1 and len(rows[-1]) < len(rows[0]):
        rows[-1].append("")
    return table(rows, [PICTURE + 3 * mm] * len(rows[0]))
