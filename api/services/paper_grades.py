"""Grades and measures on paper: each grade's own mark, and the table of measures against their limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab.lib import colors
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Table

from wearvision_api.services.paper import Paper, headed, table
from wearvision_api.services.sheet import Measured

COLOURS = {"serviceable": "#1f6f4a", "clean-and-reuse": "#8a5a00", "replace": "#a82424"}
FAINT = "#5b6068"


def grade_line(paper: Paper, grade: str | None, words: str) -> Table:
    """A grade's mark and its words."""
    colour = COLOURS.get(grade or "", "")
    return table([[GradeMark(grade), paper.text(words, "grade", bold=True, colour=colour)]], [7 * mm, None])


def measures_table(paper: Paper, lines: Sequence[Measured]) -> Table:
    """Measures with their intervals, their limits, and what each alone says."""
    rows: list[list[Any]] = []
    for line in lines:
        value = [paper.text(line.value)] + ([paper.text(line.note, "small")] if line.note else [])
        mark = table([[GradeMark(line.grade, 2.4 * mm), paper.text(line.grade or "no grade")]], [4.5 * mm, None])
        rows.append([paper.text(line.title), value, paper.text(line.limits, "small"), mark])
    return headed(paper, ("Wear", "Measured (95 % interval)", "Limits", "Says"), rows, (0.19, 0.31, 0.3, 0.2))


class GradeMark(Flowable):  # type: ignore[misc]  # the PDF library has no types
    """A grade's own mark, of the same shapes as on the pages: ringed dot, half-filled diamond, cracked square.

    Drawn on 24 by 24 with y upwards, whatever its size.
    """

    def __init__(self, grade: str | None, size: float = 4 * mm) -> None:
        super().__init__()
        self.grade, self.width, self.height = grade, size, size

    def draw(self) -> None:
        """On the page."""
        canvas = self.canv
        colour = colors.HexColor(COLOURS.get(self.grade or "", FAINT))
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
