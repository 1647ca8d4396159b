"""The return tag on paper: a page to print at true size, with the number of a return, its QR code and markers."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wearvision.errors import ReturnTagError
from wearvision.markers import bits_of
from wearvision.return_numbers import read_number

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

mm = 72 / 25.4
"""Points of a page to a millimetre. The page's library is loaded only where a page is written, as with the card."""

TAG_MM = (90.0, 55.0)
MARKER_MM = 11.0
MARKERS_MM: dict[int, tuple[float, float]] = {30: (3.0, 3.0), 31: (76.0, 3.0), 32: (76.0, 41.0), 33: (3.0, 41.0)}
"""Marker id to its upper left corner, x to the right and y down from the tag's upper left corner. The dictionary is the
scale card's, the ids are not: both may lie in one photo, and one search finds both."""
QR_MM = 25.2
QR_AT_MM = (19.0, 5.0)
QR_CORRECTION = "Q"
"""A quarter of the code may be lost. The stronger level H needs more and therefore smaller squares for a usual number,
and then fewer are read from afar."""
PATCH_MM = (10.0, 7.5)
PATCHES_MM: dict[int, tuple[float, float]] = {
    code: (17.0 + 11.5 * k, 35.5) for k, code in enumerate((59, 94, 132, 171, 212))
}
"""sRGB grey code to its upper left corner. The codes are those of CIE L* 25, 40, 55, 70 and 85."""
RULE_MM = (20.0, 50.0, 50.0)  # left end, base line, length
TITLE, ADVICE = "wearvision return tag", "Print at 100 %, check the rule: 50 mm"
INSTRUCTIONS = (
    "Print on plain matt paper at 100 %, without fitting to the page. Lay a ruler on the 50 mm rule:",
    "half a millimetre off, and the tag is no scale. Cut along the lines. The tag lies in every photo of",
    "the part, flat, whole and level with it, and stays with the part. The QR code holds the number only.",
)
_PAGE_MM = (210.0, 297.0)
_COLUMNS, _ROWS = 2, 4
_LEFT_MM, _TOP_MM = 15.0, 34.0
_WRITTEN_MM = (49.0, 87.0)  # left and right of what is written beside the code


def draw_return_tag(number: str, *, copies: int = 1) -> bytes:
    """A PDF with the tag of one return, true to size on A4.

    Args:
        number: A return's number, such as ``26-00042-33``.
        copies: How many tags, 8 a page.
    Returns:
        The file's bytes; the same for the same arguments.
    Raises:
        ReturnTagError: no return number; check digits that do not fit among others.
        ValueError: fewer than one copy.
    """
    if copies < 1:
        raise ValueError(f"at least one copy is drawn, not {copies}")
    return draw_return_tags([number] * copies)


def draw_return_tags(numbers: Iterable[str]) -> bytes:
    """A PDF with one tag a number, 8 a page with lines to cut along; as :func:`draw_return_tag`.

    Raises:
        ReturnTagError: no number at all, or one that is no return number.
    """
    from reportlab.pdfgen.canvas import Canvas

    wanted = [_checked(number) for number in numbers]
    if not wanted:
        raise ReturnTagError("There is no number to draw a tag for.")
    file = io.BytesIO()
    canvas = Canvas(file, pagesize=(_PAGE_MM[0] * mm, _PAGE_MM[1] * mm), invariant=1, pageCompression=0)
    canvas.setTitle(TITLE)
    for start in range(0, len(wanted), _COLUMNS * _ROWS):
        _page(canvas, wanted[start : start + _COLUMNS * _ROWS])
    canvas.save()
    return file.getvalue()


def _checked(number: str) -> str:
    """The number in its printed form; a tag with a wrong one would tie a part to another's papers."""
    printed = read_number(number)
    if printed is None:
        raise ReturnTagError(
            f"{number[:40]!r} is no return number: two digits of the year, five of the count and two check digits, "
            "such as 26-00042-33. Compare it with the return."
        )
    return printed


def _page(canvas: Canvas, numbers: Sequence[str]) -> None:
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 9)
    for line, text in enumerate(INSTRUCTIONS):
        canvas.drawString(_LEFT_MM * mm, (_PAGE_MM[1] - 14 - 4.5 * line) * mm, text)
    for place, number in enumerate(numbers):
        row, column = divmod(place, _COLUMNS)
        canvas.saveState()
        canvas.translate((_LEFT_MM + column * TAG_MM[0]) * mm, (_PAGE_MM[1] - _TOP_MM - row * TAG_MM[1]) * mm)
        _tag(canvas, number)
        canvas.restoreState()
    canvas.showPage()


def _tag(canvas: Canvas, number: str) -> None:
    """One tag, its upper left corner at the origin."""
    canvas.setStrokeGray(0.6)
    canvas.setLineWidth(0.2)
    canvas.rect(0, -TAG_MM[1] * mm, TAG_MM[0] * mm, TAG_MM[1] * mm)
    for marker, corner in MARKERS_MM.items():
        _squares(canvas, ~marker_bits(marker), corner, MARKER_MM)
    _squares(canvas, qr_modules(number), QR_AT_MM, QR_MM)
    for code, corner in PATCHES_MM.items():
        _box(canvas, *corner, *PATCH_MM, code / 255)
    _words(canvas, number)
    _rule(canvas)


def marker_bits(marker: int) -> NDArray[np.bool_]:
    """A marker's 7 x 7 squares with its black border, True for white. Raises ValueError for an id the tag lacks."""
    if marker not in MARKERS_MM:
        raise ValueError(f"the tag has the markers {sorted(MARKERS_MM)}, not {marker}")
    return bits_of(marker)


def qr_modules(number: str) -> NDArray[np.bool_]:
    """The squares of a number's QR code without its white margin, (21, 21), True for black."""
    from reportlab.graphics.barcode.qr import QrCodeWidget

    code = QrCodeWidget(number, barLevel=QR_CORRECTION).qr
    code.make()
    return np.array(code.modules, bool)


def _squares(canvas: Canvas, black: NDArray[np.bool_], corner: tuple[float, float], side_mm: float) -> None:
    """A pattern of black squares; those side by side are one box, so that no viewer leaves a seam."""
    step = side_mm / len(black)
    for row, line in enumerate(black.tolist()):
        at = 0
        for dark, run in groupby(line):
            count = len(list(run))
            if dark:
                _box(canvas, corner[0] + at * step, corner[1] + row * step, count * step, step, 0.0)
            at += count


def _box(canvas: Canvas, x: float, y: float, width: float, height: float, grey: float) -> None:
    """A filled box; millimetres, y down."""
    canvas.setFillGray(grey)
    canvas.rect(x * mm, -(y + height) * mm, width * mm, height * mm, stroke=0, fill=1)


def _words(canvas: Canvas, number: str) -> None:
    """The number as large as there is room for, and lines to write on."""
    left, right = _WRITTEN_MM
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 7)
    canvas.drawString(left * mm, -6 * mm, TITLE)
    canvas.setFont("Helvetica", 4.2)
    canvas.drawString(left * mm, -9 * mm, ADVICE)
    canvas.drawString(left * mm, -11.4 * mm, f"ArUco 5x5, ids {min(MARKERS_MM)} to {max(MARKERS_MM)}, {MARKER_MM:g} mm")
    canvas.setFont("Helvetica-Bold", (right - left) * mm / canvas.stringWidth(number, "Helvetica-Bold", 1))
    canvas.drawString(left * mm, -22 * mm, number)
    canvas.setFont("Helvetica", 5)
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.1 * mm)
    for base, text in ((28.0, "name"), (33.0, "kept at")):
        canvas.drawString(left * mm, -base * mm, text)
        canvas.line((left + 7) * mm, -base * mm, right * mm, -base * mm)


def _rule(canvas: Canvas) -> None:
    left, base, length = RULE_MM
    canvas.setStrokeGray(0)
    canvas.setLineWidth(0.15 * mm)
    canvas.line(left * mm, -base * mm, (left + length) * mm, -base * mm)
    canvas.setFillGray(0)
    canvas.setFont("Helvetica", 5.5)
    for at in range(int(length) + 1):
        tall = 4.0 if at % 10 == 0 else 3.0 if at % 5 == 0 else 2.0
        canvas.line((left + at) * mm, -base * mm, (left + at) * mm, -(base - tall) * mm)
        if at % 10 == 0:
            canvas.drawCentredString((left + at) * mm, -(base + 2.4) * mm, f"{at}")
