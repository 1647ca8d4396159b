"""What an evidence sheet says of a return, in words: claim, evidence, findings, decision, and what they rest on.

A decided return's sheet is built from what the decision kept, so later models, limits and policies leave it alone.
``Printed`` alone differs from print to print.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import version
from typing import Any

from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision.standard import CAUTIONS, DEFERENCE
from wearvision.standard.counter import checks_at_counter
from wearvision_api.house import House
from wearvision_api.record import ledger
from wearvision_api.returns.decision_shown import (
    DecisionSeen,
    FindingSeen,
    GradeSeen,
    ProposalSeen,
    class_title,
    decision_shown,
    findings_shown,
    grade_shown,
    policy_words,
    proposal_shown,
)
from wearvision_api.returns.evidence_shown import (
    FlagSeen,
    PhotoSeen,
    ReadingSeen,
    flags_seen,
    photos_seen,
    readings_seen,
)
from wearvision_api.returns.keeping import keep
from wearvision_api.returns.money import amount_words
from wearvision_api.returns.record_shown import RecordEntry, entries_of
from wearvision_api.returns.weighing import weigh
from wearvision_api.services.sheet import moment
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import Account, now

DRAFT = "Not decided: this sheet shows what is there so far."
WAITING = "Not final: a second person has not signed."
VARYING = (
    "Only the lines of this box change from print to print: when and by which version it was printed, and where the "
    "record ended then. All else is the same each time, byte for byte, until something is added to the return."
)
NOT_SAID = "not said"


@dataclass(frozen=True, slots=True)
class Printed:
    """What differs from print to print.

    Attributes:
        at: When.
        program: Version that printed it.
        place: Number of entries of the record.
        digest: Of its last entry, hex.
    """

    at: str
    program: str
    place: int
    digest: str


@dataclass(frozen=True, slots=True)
class EvidenceSheet:
    """A return for paper.

    Attributes:
        number: Of the return.
        part: The part in words.
        state: What it came to, in one line.
        mark: Why it is no final sheet; empty: it is one.
        claim: Heading and text, all fields of the claim.
        story: What the claimant says.
        decision: The newest one; None: none yet.
        earlier: Decisions before it, with what came of them.
        objections: Heading and text.
        findings: Of the decision, or of now while there is none.
        proposal: Likewise.
        grade: What the photos came to.
        readings: At the counter.
        flags: What a person had to look at.
        without: What was done without, and why.
        missing: What is still wanted.
        photos: In the order in which they came.
        basis: Models, limits, policy, program that it all stands on.
        entries: The return's own steps in the record.
        printed: What differs from print to print.
        deference: Who wins over this sheet.
        cautions: For whoever touches part or burner.
    """

    number: str
    part: str
    state: str
    mark: str
    claim: tuple[tuple[str, str], ...]
    story: str
    decision: DecisionSeen | None
    earlier: tuple[DecisionSeen, ...]
    objections: tuple[tuple[str, str], ...]
    findings: tuple[FindingSeen, ...]
    proposal: ProposalSeen
    grade: GradeSeen | None
    readings: tuple[ReadingSeen, ...]
    flags: tuple[FlagSeen, ...]
    without: tuple[tuple[str, str], ...]
    missing: tuple[str, ...]
    photos: tuple[PhotoSeen, ...]
    basis: tuple[tuple[str, str], ...]
    entries: tuple[RecordEntry, ...]
    printed: Printed
    deference: str
    cautions: tuple[str, ...]


def evidence_of(house: House, session: Session, row: ReturnRow, at: datetime | None = None) -> EvidenceSheet:
    """Gathers a return's sheet.

    Args:
        house: Model, limits and policy in force, for a return that is not decided.
        session: Open; nothing is written.
        row: The return.
        at: When it is printed; None: now.
    """
    newest = next((one for one in row.decisions if one.attempt == row.attempt), None)
    kept: Mapping[str, Any] = newest.proposal if newest is not None else keep(house, row, weigh(house, row))
    end = ledger.head(session)
    return EvidenceSheet(
        number=row.number,
        part=PARTS[row.part].title,
        state=_state(row, newest.outcome if newest is not None else ""),
        mark=DRAFT if newest is None else WAITING if newest.standing == "waiting" else "",
        claim=tuple(_claim(row)),
        story=row.story,
        decision=decision_shown(newest) if newest is not None else None,
        earlier=tuple(decision_shown(one) for one in row.decisions if one is not newest),
        objections=tuple(_objections(session, row)),
        findings=findings_shown(kept),
        proposal=proposal_shown(kept),
        grade=grade_shown(kept, row.part),
        readings=readings_seen(row),
        flags=flags_seen(session, row),
        without=tuple((one["title"], f"{one['reason']} ({one['by']})") for one in kept["missing"] if one["reason"]),
        missing=tuple(one["title"] for one in kept["missing"] if not one["reason"]),
        photos=photos_seen(session, row),
        basis=tuple(_basis(kept)),
        entries=entries_of(session, row.id),
        printed=Printed(moment(at or now()), version("wearvision"), end.place, end.digest),
        deference=DEFERENCE,
        cautions=(*CAUTIONS, *_cautions_of(row.part)),
    )


def _cautions_of(part: str) -> tuple[str, ...]:
    """What hurts about this part at the counter, cadmium for one."""
    lines = (line for check in checks_at_counter(part) if check.required for line in check.cautions)
    return tuple(dict.fromkeys(lines))


def _state(row: ReturnRow, outcome: str) -> str:
    done = {"accept": "claim accepted", "decline": "claim declined"}.get(outcome, "")
    words = {
        "gathering": "Evidence is being gathered",
        "second person": f"Waits for a second person ({done})",
        "decided": f"Decided: {done}",
        "objected": f"Objected to ({done})",
    }
    return words[row.state]


def _claim(row: ReturnRow) -> Iterator[tuple[str, str]]:
    yield "Claimant", row.claimant or NOT_SAID
    yield "Holds for right", class_title(row.claimed) if row.claimed else NOT_SAID
    yield "Part number", row.part_number or NOT_SAID
    yield "Lot", row.lot or NOT_SAID
    yield "Serial number", row.serial or NOT_SAID
    yield "Machine", row.machine or NOT_SAID
    yield "Fitted", _day(row.installed_on, row.hours_installed)
    yield "Last found good", NOT_SAID if row.hours_last_good is None else f"{row.hours_last_good:.1f} h"
    yield "Failed", _day(row.failed_on, row.hours_failed)
    yield "Ran", _ran(row)
    yield "Returned", row.returned_on.isoformat()
    yield "Value", amount_words(row.value_minor, row.currency) or NOT_SAID
    yield "Kept at", row.kept_where or NOT_SAID
    yield "Kept until", row.kept_until.isoformat() if row.kept_until else NOT_SAID
    yield "Taken in", f"{moment(row.created_at)} by {row.owner.name}"


def _day(day: date | None, hours: float | None) -> str:
    said = [day.isoformat()] if day else []
    said += [f"{hours:.1f} h"] if hours is not None else []
    return ", ".join(said) or NOT_SAID


def _ran(row: ReturnRow) -> str:
    said = []
    if row.hours_installed is not None and row.hours_failed is not None:
        said.append(f"{row.hours_failed - row.hours_installed:.1f} h")
    if row.installed_on is not None and row.failed_on is not None:
        said.append(f"{(row.failed_on - row.installed_on).days} days")
    return ", ".join(said) or "not known"


def _objections(session: Session, row: ReturnRow) -> Iterator[tuple[str, str]]:
    for one in row.objections:
        yield f"Received on {one.received_on.isoformat()}", one.text
        if one.taken_by is None or one.taken_at is None:
            yield "Heard", "nobody has taken it up yet"
        else:
            yield "Heard", f"taken up by {session.get_one(Account, one.taken_by).name}, {moment(one.taken_at)}"


def _basis(kept: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    graded = kept["basis"] or {}
    for kind, said in graded.items():
        yield kind.capitalize(), f"{said['id']}, SHA-256 {said['sha256']}"
    if graded and graded["limits"]["sha256"] != kept["limits"]["sha256"]:
        yield "Weighed by other limits", f"{kept['limits']['id']}, SHA-256 {kept['limits']['sha256']}"
    yield "Policy", policy_words(kept["proposal"]["policy"])
    yield "Weighed with", f"wearvision {kept['program']}"
