"""The evidence sheet of a return as a PDF."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer

from wearvision.return_tag_print import qr_modules
from wearvision_api.returns.decision_shown import DecisionSeen, FindingSeen, GradeSeen, ProposalSeen
from wearvision_api.returns.evidence_sheet import VARYING, EvidenceSheet
from wearvision_api.returns.evidence_shown import PhotoSeen
from wearvision_api.returns.record_shown import RecordEntry
from wearvision_api.services.paper import WIDTH, Paper, boxed, document, headed, picture, table
from wearvision_api.services.paper_grades import grade_line, measures_table

PICTURE = 50 * mm
CODE, QUIET = 22 * mm, 5 * mm
"""Side of the QR code, and the white that it needs beside it: four of its squares (ISO/IEC 18004)."""
NO_PICTURE = "The store does not hold this photo's bytes. Find out why."
Pictures = Callable[[str], bytes | None]


def evidence_pdf(sheet: EvidenceSheet, photo: Pictures, outlined: Pictures) -> bytes:
    """The sheet on A4; the same sheet and pictures give the same bytes.

    Args:
        sheet: What it says.
        photo: Gives a photo by its hash as a small upright JPEG; None: the store lacks it.
        outlined: Gives an outlined picture by its hash.
    """
    paper = Paper()
    story: list[Flowable] = [*_head(paper, sheet)]
    story += _decision(paper, sheet)
    story += _claim(paper, sheet)
    story += _findings(paper, sheet.findings)
    story += _photo_grade(paper, sheet.grade)
    story += _readings(paper, sheet)
    story += _flags(paper, sheet)
    story += _without(paper, sheet)
    story += _photos(paper, sheet.photos, photo, outlined)
    story += _record(paper, sheet)
    story += _end(paper, sheet)
    return document(
        paper,
        story,
        title=f"Evidence sheet of return {sheet.number}",
        subject="Evidence sheet",
        foot=f"return {sheet.number} · evidence sheet · {sheet.part}",
        stamp="DRAFT" if sheet.mark else "",
    )


def _head(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    words = [
        paper.text("Evidence sheet of a return", "small"),
        paper.text(sheet.number, "title", bold=True),
        paper.text(sheet.part.capitalize(), "grade"),
        paper.text(sheet.state, "grade", bold=True),
    ]
    if sheet.mark:
        words.append(paper.text(sheet.mark, bold=True))
    yield table([[words, "", _Code(sheet.number)]], [WIDTH - CODE - QUIET, QUIET, CODE])
    yield Spacer(0, 4)
    yield paper.text(sheet.deference, "small", bold=True)


def _decision(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    yield paper.text("Proposal and decision", "head", bold=True)
    decided = sheet.decision
    yield from _proposal(paper, decided.proposal if decided is not None else sheet.proposal)
    if decided is not None:
        yield Spacer(0, 4)
        yield from _decided(paper, decided)
    for one in sheet.earlier:
        yield paper.text(f"Earlier: attempt {one.attempt}", "head", bold=True)
        yield from _proposal(paper, one.proposal)
        yield from _decided(paper, one)
    if sheet.objections:
        yield paper.text("Objections", "head", bold=True)
        for heading, text in sheet.objections:
            yield from paper.told(heading, text)


def _proposal(paper: Paper, proposal: ProposalSeen) -> Iterable[Flowable]:
    yield paper.pair("The policy proposes", proposal.outcome)
    yield paper.pair(f"Row {proposal.row!r}", proposal.text)
    for reason in proposal.reasons:
        yield paper.text(f"• {reason}")
    yield paper.pair("Policy", proposal.policy, "small")


def _decided(paper: Paper, decided: DecisionSeen) -> Iterable[Flowable]:
    yield paper.pair("A person decided", f"{decided.outcome} ({decided.standing})")
    yield from paper.told("Reason", decided.reason)
    for heading, text in decided.signatures:
        yield from paper.told(heading, text)


def _claim(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    cells = [paper.pair(*fact) for fact in sheet.claim]
    rows = [cells[at : at + 2] for at in range(0, len(cells), 2)]
    rows[-1] += [""] * (2 - len(rows[-1]))
    yield KeepTogether([paper.text("Claim", "head", bold=True), table(rows, [WIDTH / 2] * 2)])
    yield from paper.told("What the claimant says", sheet.story or "nothing is written down")


def _findings(paper: Paper, found: Sequence[FindingSeen]) -> Iterable[Flowable]:
    yield paper.text("Findings: likely causes, with the signs for and against", "head", bold=True)
    for one in found:
        lines = [paper.pair(one.title, _cause(one))]
        lines += [paper.text(one.text)] if one.text and one.cause else []
        lines += [paper.text(f"+ for: {sign}", "small") for sign in one.signs_for]
        lines += [paper.text(f"− against: {sign}", "small") for sign in one.signs_against]
        yield KeepTogether([*lines, Spacer(0, 3)])


def _cause(found: FindingSeen) -> str:
    """The class of cause and how sure; what carries no class says its text."""
    if not found.cause:
        return found.text or "no sign tells its cause"
    return "cause open" if found.sure == "open" else f"cause {found.cause} ({found.sure})"


def _photo_grade(paper: Paper, grade: GradeSeen | None) -> Iterable[Flowable]:
    title = paper.text("What the photos came to, measures against limits", "head", bold=True)
    if grade is None:
        yield from (title, paper.text("The photos have not been graded."))
        return
    yield KeepTogether([title, grade_line(paper, grade.grade, grade.words)])
    yield from (paper.pair(*fact) for fact in grade.facts)
    if grade.measures:
        yield from (Spacer(0, 3), measures_table(paper, grade.measures))


def _readings(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    yield paper.text("Readings at the counter", "head", bold=True)
    if not sheet.readings:
        yield paper.text("None were taken.")
        return
    rows = [
        [
            [paper.text(one.title, bold=True), paper.text(one.note, "small")],
            [paper.pair(*entered) for entered in one.entered],
            [paper.text(one.says, bold=True), paper.text(one.text)],
        ]
        for one in sheet.readings
    ]
    yield headed(paper, ("Check", "Entered", "What it says"), rows, (0.28, 0.32, 0.4))


def _flags(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    yield paper.text("What had to be looked at", "head", bold=True)
    if not sheet.flags:
        yield paper.text("Nothing about photos or numbers was flagged.")
    for one in sheet.flags:
        yield paper.pair(one.title, one.reason)
        if one.where:
            yield paper.text(" · ".join(one.where), "small")
        yield from paper.told("Looked at", one.settled)
        yield Spacer(0, 3)


def _without(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    if sheet.without:
        yield paper.text("Done without, and why", "head", bold=True)
        for heading, text in sheet.without:
            yield from paper.told(heading, text)
    if sheet.missing:
        yield paper.text("Still missing", "head", bold=True)
        yield from (paper.text(f"• {one}") for one in sheet.missing)


def _photos(paper: Paper, photos: Sequence[PhotoSeen], photo: Pictures, outlined: Pictures) -> Iterable[Flowable]:
    yield paper.text(f"Photos: {len(photos)}", "head", bold=True)
    for number, one in enumerate(photos, 1):
        words = [paper.text(f"{number}. {one.title}", bold=True), *(paper.pair(*fact, "small") for fact in one.facts)]
        shown: list[Flowable] = []
        if not one.erased:
            plain = photo(one.plain)
            shown += [picture(plain, PICTURE)] if plain is not None else [paper.text(NO_PICTURE, bold=True)]
            over = outlined(one.outlined) if one.outlined else None
            shown += [picture(over, PICTURE)] if over is not None else []
        sides = [PICTURE + 3 * mm] * len(shown)
        card = table([[*shown, words]], [*sides, WIDTH - sum(sides)])
        yield KeepTogether([card, paper.pair("SHA-256", one.sha256, "small")])
        yield from paper.told("", one.erased) if one.erased else ()
        yield Spacer(0, 9)


def _record(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    yield paper.text("Steps on record", "head", bold=True)
    rows = [
        [
            paper.text(str(one.place), "small"),
            paper.text(one.at, "small"),
            paper.text(one.who, "small"),
            paper.text(one.what, "small", bold=one.decides),
            paper.text(f"{one.digest[:16]}…", "small"),
        ]
        for one in sheet.entries
    ]
    yield headed(paper, ("Entry", "UTC", "By", "Step", "Digest"), rows, (0.08, 0.2, 0.16, 0.34, 0.22))
    yield from _heads(paper, [one for one in sheet.entries if one.decides])


def _heads(paper: Paper, entries: Sequence[RecordEntry]) -> Iterable[Flowable]:
    for one in entries:
        yield paper.pair(f"Head of the record at entry {one.place} ({one.what})", one.digest, "small")


def _end(paper: Paper, sheet: EvidenceSheet) -> Iterable[Flowable]:
    basis = [paper.text("What it rests on", "head", bold=True)]
    basis += [paper.pair(*one, "small") for one in sheet.basis]
    yield KeepTogether(basis)
    printed = sheet.printed
    yield KeepTogether(
        [
            paper.text("Cautions", "head", bold=True),
            *(paper.text(f"• {line}", "small") for line in sheet.cautions),
            *paper.notes(),
            Spacer(0, 6),
            boxed(
                paper.pair("Printed", f"{printed.at} by wearvision {printed.program}", "small"),
                paper.pair(f"Head of the record when printed, entry {printed.place}", printed.digest, "small"),
                paper.text(VARYING, "small"),
            ),
        ]
    )


class _Code(Flowable):  # type: ignore[misc]  # the PDF library has no types
    """The return's number as the same QR code that its tag bears."""

    def __init__(self, number: str) -> None:
        super().__init__()
        self.number, self.width, self.height = number, CODE, CODE

    def draw(self) -> None:
        """On the page, black squares on its white."""
        black = qr_modules(self.number)
        step = CODE / len(black)
        self.canv.setFillGray(0)
        for row, line in enumerate(black.tolist()):
            for column, dark in enumerate(line):
                if dark:
                    self.canv.rect(column * step, CODE - (row + 1) * step, step, step, stroke=0, fill=1)
