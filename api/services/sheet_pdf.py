"""The sheet of an inspection as a PDF."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from wearvision.parts import PARTS
from wearvision_api.services.sheet import Measured, PartSeen, Sheet, moment

MARGIN = 16 * mm
FRAME = 6
"""What the PDF library leaves free inside a frame, points."""
WIDTH = A4[0] - 2 * MARGIN - 2 * FRAME
PICTURE = 36 * mm
INK, FAINT, RULE = colors.HexColor("#1c2026"), colors.HexColor("#5b6068"), colors.HexColor("#c9c5bb")
COLOURS = {"serviceable": "#1f6f4a", "clean-and-reuse": "#8a5a00", "replace": "#a82424"}
MOST_PICTURES = 4
SHORT = 300
"""Longer remarks stand under the picture, not beside it: a table's row must fit on a page."""
FONTS = (("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"), ("Vera.ttf", "VeraBd.ttf"))
"""Regular and bold, best first: many alphabets where the machine has them, else what comes with the PDF library."""
LOST = "Letters shown as ? are not in this machine's fonts; the page of this sheet has them."


def pdf(sheet: Sheet, picture: Callable[[str], bytes]) -> bytes:
    """The sheet on A4.

    Args:
        sheet: What it says.
        picture: Gives a blob's bytes.
    """
    page = _Page()
    story: list[Flowable] = [*_head(page, sheet)]
    for part in sheet.parts:
        story += _part(page, part, picture)
    if not sheet.parts:
        story.append(page.text("No part has been graded at this visit."))
    story += _lines(page, sheet)
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=14 * mm,
        bottomMargin=18 * mm,
        title=page.plain(f"Inspection of {sheet.machine}"),
        author="wearvision",
        subject="Inspection sheet",
        lang="en-GB",
        invariant=1,
    )
    foot = page.plain(f"{sheet.machine} · inspection {sheet.id}")
    document.build(story, canvasmaker=lambda *given, **named: _Numbered(*given, foot=foot, font=page.font, **named))
    return out.getvalue()


@cache
def _fonts() -> tuple[str, str]:
    for names in FONTS:
        try:
            for name in names:
                pdfmetrics.registerFont(TTFont(name.removesuffix(".ttf"), name))
        except TTFError:
            continue
        regular, bold = (name.removesuffix(".ttf") for name in names)
        pdfmetrics.registerFontFamily(regular, normal=regular, bold=bold, italic=regular, boldItalic=bold)
        return regular, bold
    raise RuntimeError("the PDF library has come without its fonts; install it again")


class _Page:
    """Styles of one document, and whether a letter was lost."""

    def __init__(self) -> None:
        self.font, self.bold = _fonts()
        self.known = pdfmetrics.getFont(self.font).face.charToGlyph
        self.lost = False
        base = {"fontName": self.font, "textColor": INK, "splitLongWords": 1}
        self.styles = {
            "body": ParagraphStyle("body", fontSize=8.5, leading=11, **base),
            "small": ParagraphStyle("small", fontSize=7, leading=9, **base),
            "head": ParagraphStyle("head", fontSize=11, leading=14, spaceBefore=8, spaceAfter=3, **base),
            "title": ParagraphStyle("title", fontSize=17, leading=21, **base),
            "grade": ParagraphStyle("grade", fontSize=11, leading=14, **base),
        }

    def plain(self, text: str) -> str:
        """Text with what the font lacks as question marks."""
        kept = "".join(one if one == "\n" or ord(one) in self.known else "?" for one in text)
        self.lost |= kept != text
        return kept

    def text(self, text: str, style: str = "body", *, bold: bool = False, colour: str = "") -> Paragraph:
        """A paragraph of plain text."""
        marked = escape(self.plain(text)).replace("\n", "<br/>")
        if bold:
            marked = f"<b>{marked}</b>"
        return Paragraph(f'<font color="{colour}">{marked}</font>' if colour else marked, self.styles[style])

    def pair(self, heading: str, text: str, style: str = "body") -> Paragraph:
        """A heading in bold and its text in one paragraph."""
        marked = escape(self.plain(text)).replace("\n", "<br/>")
        return Paragraph(f"<b>{escape(self.plain(heading))}:</b> {marked}", self.styles[style])


def _head(page: _Page, sheet: Sheet) -> Iterable[Flowable]:
    yield page.text("Inspection sheet", "small")
    yield page.text(sheet.machine, "title", bold=True)
    if sheet.description:
        yield page.text(sheet.description)
    yield Spacer(0, 4)
    cells = [page.pair(*fact) for fact in sheet.facts]
    rows = [cells[at : at + 3] for at in range(0, len(cells), 3)]
    yield _table(rows, [WIDTH / 3] * 3)
    yield Spacer(0, 4)
    yield _boxed(page.pair("Next service", sheet.due.reason))
    if sheet.notes:
        yield Spacer(0, 4)
        yield page.pair("Notes", sheet.notes)
    yield Spacer(0, 4)
    yield page.text(sheet.deference, "small", bold=True)


def _part(page: _Page, part: PartSeen, picture: Callable[[str], bytes]) -> list[Flowable]:
    colour = COLOURS.get(part.grade or "", "")
    remarks = [*part.remarks, ("What was done", part.done or "not recorded")]
    words: list[Flowable] = [
        _table([[_Mark(part.grade), page.text(part.words, "grade", bold=True, colour=colour)]], [7 * mm, None]),
        page.pair("Standing", part.standing),
        *(page.pair(name, _flat(text)) for name, text in remarks if len(text) <= SHORT),
        page.text(f"Graded {moment(part.at)} by {part.by}", "small"),
    ]
    shown = [_picture(picture(digest)) for digest in part.pictures[:MOST_PICTURES]]
    if len(part.pictures) > MOST_PICTURES:
        words.append(page.text(f"{len(part.pictures) - MOST_PICTURES} more pictures are on record.", "small"))
    side = (PICTURE + 3 * mm) * min(len(shown), 2)
    body = _table([[_grid(shown) if shown else "", words]], [side, WIDTH - side])
    pieces: list[Flowable] = [KeepTogether([page.text(part.title.capitalize(), "head", bold=True), body])]
    pieces += [page.pair(name, text) for name, text in remarks if len(text) > SHORT]
    if part.measures:
        pieces += [Spacer(0, 3), _measures(page, part.measures)]
    if part.readings:
        rows = [[page.text(one.title), page.text(one.entered), page.text(one.says)] for one in part.readings]
        pieces += [Spacer(0, 3), _headed(page, ("Hand check", "Reading", "What it says"), rows, (0.28, 0.2, 0.52))]
    return pieces


def _measures(page: _Page, lines: Sequence[Measured]) -> Table:
    rows: list[list[Any]] = []
    for line in lines:
        value = [page.text(line.value)] + ([page.text(line.note, "small")] if line.note else [])
        mark = _table([[_Mark(line.grade, 2.4 * mm), page.text(line.grade or "no grade")]], [4.5 * mm, None])
        rows.append([page.text(line.title), value, page.text(line.limits, "small"), mark])
    return _headed(page, ("Wear", "Measured (95 % interval)", "Limits", "Says"), rows, (0.19, 0.31, 0.3, 0.2))


def _lines(page: _Page, sheet: Sheet) -> Iterable[Flowable]:
    def titled(title: str, table: Table) -> Flowable:
        return KeepTogether([page.text(title, "head", bold=True), table])

    for walk in sheet.walks:
        rows = [[page.text(title), page.text(entered), page.text(says)] for title, entered, says in walk.steps]
        yield page.text(f"Where it was started from: {walk.title}", "head", bold=True)
        yield _headed(page, ("Check", "Answer", "What it means"), rows, (0.28, 0.2, 0.52))
        if walk.end:
            yield page.pair("Came to", walk.end)
    if sheet.settings:
        rows = [[page.text(name), page.text(value)] for name, value in sheet.settings]
        yield titled("Settings measured", _headed(page, ("Setting", "Value"), rows, (0.6, 0.4)))
    if sheet.causes:
        rows = [
            [
                [page.text(one.title)] + ([page.text(_flat(one.note), "small")] if one.note else []),
                page.text(", ".join(PARTS[part].title for part in one.parts if part in PARTS) or "-"),
                page.text(one.finding, bold=one.finding == "found"),
            ]
            for one in sheet.causes
        ]
        yield titled("Causes", _headed(page, ("Cause", "Points to it", "Finding"), rows, (0.6, 0.22, 0.18)))
    if sheet.parts_used:
        rows = [[page.text(count), page.text(what)] for count, what in sheet.parts_used]
        yield titled("Parts used", _headed(page, ("Quantity", "Part"), rows, (0.15, 0.85)))
    cautions = [page.text("Cautions", "head", bold=True)]
    cautions += [page.text(f"• {line}", "small") for line in sheet.cautions]
    cautions += [Spacer(0, 4), *(page.text(line, "small") for line in sheet.basis)]
    yield KeepTogether(cautions)
    if page.lost:
        yield page.text(LOST, "small")


class _Mark(Flowable):  # type: ignore[misc]  # the PDF library has no types
    """A grade's own mark, of the same shapes as on the pages: ringed dot, half-filled diamond, cracked square.

    Drawn on 24 by 24 with y upwards, whatever its size.
    """

    def __init__(self, grade: str | None, size: float = 4 * mm) -> None:
        super().__init__()
        self.grade, self.width, self.height = grade, size, size

    def draw(self) -> None:
        """On the page."""
        canvas = self.canv
        colour = colors.HexColor(COLOURS.get(self.grade or "", "#5b6068"))
        canvas.setStrokeColor(colour)
        canvas.setFillColor(colour)
        canvas.scale(self.width / 24, self.height / 24)
        canvas.setLineWidth(2.6)
        if self.grade == "serviceable":
            canvas.circle(12, 12, 9)
            canvas.circle(12, 12, 3.2, stroke=0, fill=1)
        elif self.grade == "clean-and-reuse":
            self._shape([(12, 22.5), (22.5, 12), (12, 1.5), (1.5, 12)], stroke=1)
            self._shape([(3, 12), (21, 12), (12, 3)], fill=1)
        elif self.grade == "replace":
            canvas.rect(2, 2.5, 20, 19, stroke=0, fill=1)
            canvas.setFillColor(colors.white)
            crack = [(11, 21.5), (15, 15.5), (10, 10.5), (14, 2.5), (11, 2.5), (6.5, 10.5), (11.5, 15.5), (8, 21.5)]
            self._shape(crack, fill=1)
        else:
            canvas.setDash(4, 3.5)
            canvas.circle(12, 12, 9.5)
            canvas.setDash()
            canvas.line(7.5, 12, 16.5, 12)

    def _shape(self, corners: Sequence[tuple[float, float]], *, stroke: int = 0, fill: int = 0) -> None:
        path = self.canv.beginPath()
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        path.close()
        self.canv.drawPath(path, stroke=stroke, fill=fill)


class _Numbered(Canvas):  # type: ignore[misc]  # the PDF library has no types
    """Writes *page n of m* under each page, once m is known."""

    def __init__(self, *given: Any, foot: str, font: str, **named: Any) -> None:
        super().__init__(*given, **named)
        self._foot, self._foot_font = foot, font
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # the PDF library's name
        """Puts the page aside."""
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Writes all pages."""
        for number, state in enumerate(self._pages, 1):
            self.__dict__.update(state)
            self.setFont(self._foot_font, 7)
            self.setFillColor(FAINT)
            self.drawString(MARGIN + FRAME, 10 * mm, self._foot)
            self.drawRightString(A4[0] - MARGIN - FRAME, 10 * mm, f"page {number} of {len(self._pages)}")
            super().showPage()
        super().save()


def _flat(text: str) -> str:
    """In one line; a column of single letters would not fit on a page."""
    return " ".join(text.split())


def _picture(data: bytes) -> Image:
    return Image(io.BytesIO(data), PICTURE, PICTURE, kind="proportional")


def _grid(pictures: Sequence[Image]) -> Table:
    rows = [list(pictures[at : at + 2]) for at in range(0, len(pictures), 2)]
    if len(rows) > 1 and len(rows[-1]) < len(rows[0]):
        rows[-1].append("")
    return _table(rows, [PICTURE + 3 * mm] * len(rows[0]))


def _table(rows: Sequence[Sequence[Any]], widths: Sequence[float | None]) -> Table:
    style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
    style += [(f"{side}PADDING", (0, 0), (-1, -1), 1) for side in ("TOP", "BOTTOM", "RIGHT")]
    return Table(rows, colWidths=list(widths), style=TableStyle(style))


def _headed(page: _Page, heads: Sequence[str], rows: Sequence[Sequence[Any]], shares: Sequence[float]) -> Table:
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
    ]
    body = [[page.text(one, "small", bold=True) for one in heads], *rows]
    return Table(body, colWidths=[share * WIDTH for share in shares], repeatRows=1, style=TableStyle(style))


def _boxed(content: Paragraph) -> Table:
    style = [
        ("BOX", (0, 0), (-1, -1), 0.8, INK),
        *((f"{side}PADDING", (0, 0), (-1, -1), 5) for side in ("LEFT", "TOP")),
    ]
    return Table([[content]], colWidths=[WIDTH], style=TableStyle(style))
