"""What all sheets on paper share: fonts, styles, tables, and pages that are numbered."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, Paragraph, SimpleDocTemplate, Table, TableStyle

# Pictures and fonts as bytes: turning them into text took most of the time of a sheet, and a quarter more room.
rl_config.useA85 = 0

MARGIN = 16 * mm
FRAME = 6
"""What the PDF library leaves free inside a frame, points."""
WIDTH = A4[0] - 2 * MARGIN - 2 * FRAME
INK, FAINT, RULE = colors.HexColor("#1c2026"), colors.HexColor("#5b6068"), colors.HexColor("#c9c5bb")
FONTS = (("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"), ("Vera.ttf", "VeraBd.ttf"))
"""Regular and bold, best first: many alphabets where the machine has them, else what comes with the PDF library."""
LINES = 20
"""Of somebody's own text in one paragraph."""
LOST = "Letters shown as ? are not in this machine's fonts; the page of this sheet has them."
BACKWARDS = "Words of scripts that are written from right to left stand here with their first letter on the left."
_DIRECTIONS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of what follows: a text could read otherwise than it was stored."""


@cache
def fonts() -> tuple[str, str]:
    """Names of the regular and the bold font, registered with the PDF library."""
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


def steers(letter: str) -> bool:
    """Whether it is no letter but tells the output what to do: a control character, or a mark of direction."""
    return letter in _DIRECTIONS or unicodedata.category(letter) == "Cc"


class Paper:
    """Styles of one document; remembers what of its text could not be shown as it is.

    Attributes:
        lost: Whether a letter stands as a question mark.
        backwards: Whether a letter belongs to a script that runs from right to left.
    """

    def __init__(self) -> None:
        self.font, self.bold = fonts()
        self.known = pdfmetrics.getFont(self.font).face.charToGlyph
        self.lost = self.backwards = False
        base = {"fontName": self.font, "textColor": INK, "splitLongWords": 1}
        self.styles = {
            "body": ParagraphStyle("body", fontSize=8.5, leading=11, **base),
            "small": ParagraphStyle("small", fontSize=7, leading=9, **base),
            "head": ParagraphStyle("head", fontSize=11, leading=14, spaceBefore=8, spaceAfter=3, **base),
            "title": ParagraphStyle("title", fontSize=17, leading=21, **base),
            "grade": ParagraphStyle("grade", fontSize=11, leading=14, **base),
            "letter": ParagraphStyle("letter", fontSize=10, leading=13.5, spaceAfter=4, **base),
        }

    def plain(self, text: str) -> str:
        """Text as it can be shown: question marks for what the font lacks and for marks that steer the output."""
        whole = text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
        kept = "".join(one if one == "\n" or self._shown(one) else "?" for one in whole)
        self.lost |= kept != whole
        self.backwards |= any(unicodedata.bidirectional(one) in ("R", "AL") for one in kept)
        return kept

    def _shown(self, one: str) -> bool:
        return ord(one) in self.known and not steers(one)

    def text(self, text: str, style: str = "body", *, bold: bool = False, colour: str = "") -> Paragraph:
        """A paragraph of plain text."""
        marked = self._marked(text)
        if bold:
            marked = f"<b>{marked}</b>"
        return Paragraph(f'<font color="{colour}">{marked}</font>' if colour else marked, self.styles[style])

    def pair(self, heading: str, text: str, style: str = "body") -> Paragraph:
        """A heading in bold and its text in one paragraph."""
        return Paragraph(f"<b>{self._marked(heading)}:</b> {self._marked(text)}", self.styles[style])

    def told(self, heading: str, text: str, style: str = "body") -> list[Paragraph]:
        """A text of somebody's own under its heading, which may run over pages; an empty heading is left out.

        It comes in pieces: the PDF library lays a paragraph out anew for every page that it runs over.
        """
        lines = text.replace("\r\n", "\n").split("\n")
        pieces = ["\n".join(lines[at : at + LINES]) for at in range(0, len(lines), LINES)]
        first = self.pair(heading, pieces[0], style) if heading else self.text(pieces[0], style)
        return [first, *(self.text(piece, style) for piece in pieces[1:])]

    def _marked(self, text: str) -> str:
        return escape(self.plain(text)).replace("\n", "<br/>")

    def notes(self) -> list[Paragraph]:
        """What the reader must know of letters that are not shown as they are; none where all are."""
        said = [LOST] * self.lost + [BACKWARDS] * self.backwards
        return [self.text(one, "small") for one in said]


def document(paper: Paper, story: Sequence[Flowable], *, title: str, subject: str, foot: str, stamp: str = "") -> bytes:
    """The document on A4; the same story gives the same bytes.

    Args:
        paper: Whose styles the story has.
        story: What stands on the pages.
        title: Of the file.
        subject: Of the file.
        foot: At the bottom of each page, beside its number.
        stamp: In large faint letters across each page, such as ``DRAFT``; empty: none.
    """
    out = io.BytesIO()
    template = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=14 * mm,
        bottomMargin=18 * mm,
        title=paper.plain(title),
        author="wearvision",
        subject=subject,
        lang="en-GB",
        invariant=1,
    )
    told = {"foot": paper.plain(foot), "font": paper.font, "stamp": stamp}
    template.build(list(story), canvasmaker=lambda *given, **named: _Numbered(*given, **told, **named))
    return out.getvalue()


class _Numbered(Canvas):  # type: ignore[misc]  # the PDF library has no types
    """Writes *page n of m* under each page, once m is known."""

    def __init__(self, *given: Any, foot: str, font: str, stamp: str, **named: Any) -> None:
        super().__init__(*given, **named)
        self._foot, self._foot_font, self._stamp = foot, font, stamp
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
            if self._stamp:
                self._stamped()
            super().showPage()
        super().save()

    def _stamped(self) -> None:
        self.saveState()
        self.setFillColor(colors.Color(0.35, 0.35, 0.35, alpha=0.13))
        self.setFont(self._foot_font, 110)
        self.translate(A4[0] / 2, A4[1] / 2)
        self.rotate(52)
        self.drawCentredString(0, -38, self._stamp)
        self.restoreState()


def flat(text: str) -> str:
    """In one line; a column of single letters would not fit on a page."""
    return " ".join(text.split())


def picture(data: bytes, side: float) -> Image:
    """A picture that fits into a square; points."""
    return Image(io.BytesIO(data), side, side, kind="proportional")


def table(rows: Sequence[Sequence[Any]], widths: Sequence[float | None]) -> Table:
    """Cells side by side without lines."""
    style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
    style += [(f"{side}PADDING", (0, 0), (-1, -1), 1) for side in ("TOP", "BOTTOM", "RIGHT")]
    return Table(rows, colWidths=list(widths), style=TableStyle(style))


def headed(paper: Paper, heads: Sequence[str], rows: Sequence[Sequence[Any]], shares: Sequence[float]) -> Table:
    """A table with a head that stands on every page; each row must fit on one.

    Args:
        paper: Whose styles it has.
        heads: Of the columns.
        rows: Texts and other things of the PDF library.
        shares: Of the width, a column each; together 1.
    """
    style = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
    ]
    body = [[paper.text(one, "small", bold=True) for one in heads], *rows]
    return Table(body, colWidths=[share * WIDTH for share in shares], repeatRows=1, style=TableStyle(style))


def boxed(*content: Flowable) -> Table:
    """Content in a frame over the whole width; a page takes as much of it as fits."""
    style = [
        ("BOX", (0, 0), (-1, -1), 0.8, INK),
        *((f"{side}PADDING", (0, 0), (-1, -1), 5) for side in ("LEFT", "TOP")),
        *((("BOTTOMPADDING", (0, 0), (-1, -2), 0),) if len(content) > 1 else ()),
    ]
    return Table([[one] for one in content], colWidths=[WIDTH], style=TableStyle(style))
