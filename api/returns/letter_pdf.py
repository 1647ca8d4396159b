"""The decision letter on paper and as plain text."""

from __future__ import annotations

import textwrap

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer

from wearvision_api.returns.letter import Letter, Section
from wearvision_api.services.paper import Paper, boxed, document, steers

COLUMNS = 78
"""Of the plain text."""


def letter_pdf(letter: Letter) -> bytes:
    """The letter on A4; the same letter gives the same bytes."""
    paper = Paper()
    story: list[Flowable] = []
    if letter.house:
        story.append(paper.text(letter.house[0], "grade", bold=True))
        story += [paper.text(line, "small") for line in letter.house[1:]]
        story.append(Spacer(0, 7 * mm))
    if letter.mark:
        story += [boxed(paper.text(letter.mark, bold=True)), Spacer(0, 5 * mm)]
    story += [paper.text(line, "letter") for line in letter.to]
    story += [Spacer(0, 3 * mm), *(paper.pair(*fact) for fact in letter.facts), Spacer(0, 4 * mm)]
    story += [paper.text(letter.subject, "title", bold=True)]
    *upper, last = letter.sections
    for section in upper:
        title, first, *others = _section(paper, section)
        story += [KeepTogether([title, first]), *others]
    closing = [Spacer(0, 2 * mm), *(paper.text(line, "small") for line in letter.closing)]
    story.append(KeepTogether([*_section(paper, last), *closing, *paper.notes()]))
    return document(
        paper,
        story,
        title=f"{letter.subject}, return {letter.number}",
        subject="Decision letter",
        foot=f"return {letter.number} · letter of {letter.day}",
        stamp=letter.stamp,
    )


def _section(paper: Paper, section: Section) -> list[Flowable]:
    pieces = [piece for one in section.paragraphs for piece in paper.told("", one, "letter")]
    return [paper.text(section.title, "head", bold=True), *pieces]


def letter_text(letter: Letter) -> str:
    """The letter as plain text, for a message."""
    blocks = ["\n".join(letter.house), f"*** {letter.mark} ***" if letter.mark else "", "\n".join(letter.to)]
    blocks += ["\n".join(f"{name}: {text}" for name, text in letter.facts), letter.subject.upper()]
    for section in letter.sections:
        blocks += [f"{section.title}\n{'-' * len(section.title)}", *section.paragraphs]
    blocks += letter.closing
    wrapped = ("\n".join(_wrapped(line) for line in block.split("\n")) for block in blocks if block)
    return "\n\n".join(wrapped) + "\n"


def _wrapped(line: str) -> str:
    kept = "".join(" " if steers(one) else one for one in line)
    return textwrap.fill(kept, COLUMNS, break_on_hyphens=False)
