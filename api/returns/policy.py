"""What the policy proposes: the first row of a site's table that fits, under rules that no table can take away."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wearvision.standard.grades import GRADES
from wearvision.standard.origins import load_origins
from wearvision_api.returns.findings import Facts, Finding
from wearvision_api.returns.overall import Overall, weigh_findings
from wearvision_api.returns.policy_table import (
    Policy,
    PolicyError,
    Proposed,
    Row,
    Standing,
    Warranty,
    load_policy,
    read_policy,
)
from wearvision_api.returns.reasoning import OPEN, SURE

MISSING = "missing evidence"
"""As ``Proposal.row``: the rule above every table, not a row of one."""
MISSING_TEXT = "Something that a decision needs is not there. Add it, or state why it can be done without."


@dataclass(frozen=True, slots=True)
class Proposal:
    """What is proposed to the person who decides.

    Attributes:
        outcome: ``accept``, ``decline``, ``second person`` or ``more evidence``.
        row: Id of the row that proposes, or ``missing evidence``.
        text: Plain words of that row.
        needs_second: Whether a second person must sign.
        reasons: Why, one sentence each: for the second person, and for what is missing.
        policy: Id of the table.
        fingerprint: SHA-256 of what it says.
        example: True for a table that is an example and no advice.
    """

    outcome: Proposed
    row: str
    text: str
    needs_second: bool
    reasons: list[str]
    policy: str
    fingerprint: str
    example: bool

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "outcome": self.outcome,
            "row": self.row,
            "text": self.text,
            "needs_second": self.needs_second,
            "reasons": list(self.reasons),
            "policy": {"id": self.policy, "sha256": self.fingerprint, "example": self.example},
        }


def propose(
    policy: Policy,
    found: Sequence[Finding],
    facts: Facts,
    *,
    possible_grades: Collection[str] | None = None,
    missing: Sequence[str] = (),
    open_flags: int = 0,
    waived: Sequence[str] = (),
) -> Proposal:
    """What the policy proposes for a claim.

    Args:
        policy: The table in force.
        found: The findings.
        facts: Of the claim.
        possible_grades: Grades still possible; None: those that the findings leave, after readings have won.
        missing: Titles of what is not there and nobody gave a reason for.
        open_flags: Flags that nobody has looked at.
        waived: Titles of what is done without, for a stated reason.
    """
    overall = weigh_findings(found)
    reasons = _reasons(overall, facts, possible_grades, open_flags, waived)
    if missing:
        outcome: Proposed = "more evidence"
        row, text = MISSING, MISSING_TEXT
        reasons += [f"Missing: {one}." for one in missing]
        second = len(reasons) > len(missing)
    else:
        first = next(row for row in policy.rows if _holds(row.when, overall, found, facts, policy.warranty, open_flags))
        outcome, row, text = first.propose, first.id, first.text
        second = bool(reasons) or outcome == "second person"
    return Proposal(outcome, row, text, second, reasons, policy.id, policy.sha256, policy.example)


def _reasons(
    overall: Overall,
    facts: Facts,
    possible_grades: Collection[str] | None,
    open_flags: int,
    waived: Sequence[str],
) -> list[str]:
    """Why a second person must sign, whatever the table says; empty where nothing asks for one."""
    possible = overall.possible_grades if possible_grades is None else possible_grades
    reasons = []
    if len(possible) != 1:
        which = ", ".join(grade for grade in GRADES if grade in possible)
        reasons.append(f"More than one grade is possible: {which}." if which else "No grade is known.")
    if facts.another_part or overall.another_part:
        reasons.append("The photos show another part than is claimed.")
    titles = {str(key): one.title for key, one in load_origins().classes.items()}
    claimed = titles.get(facts.claimed, facts.claimed)
    if overall.cause == OPEN and overall.fault is False:
        reasons.append(f"Claimed: {claimed or 'no cause'}; found: nothing wrong with the part.")
    elif overall.cause == OPEN:
        reasons.append("The cause is open.")
    elif facts.claimed and facts.claimed != overall.cause:
        reasons.append(f"Claimed: {claimed}; found: {titles.get(overall.cause, overall.cause)}.")
    if open_flags:
        reasons.append(f"{open_flags} flag{'s are' if open_flags > 1 else ' is'} open.")
    return reasons + [f"Done without: {one}." for one in waived]


def standing(facts: Facts, warranty: Warranty) -> Standing:
    """Whether the part is within the warranty: past by either limit, within only by both."""
    pairs = ((facts.hours_run, warranty.hours), (facts.days_run, warranty.days))
    asked = [(age, limit) for age, limit in pairs if limit is not None]
    if any(age is not None and age > limit for age, limit in asked):
        return "past"
    return "unknown" if any(age is None for age, _ in asked) else "within"


def _holds(
    when: Mapping[str, Any],
    overall: Overall,
    found: Sequence[Finding],
    facts: Facts,
    warranty: Warranty,
    open_flags: int,
) -> bool:
    known: Mapping[str, Any] = {
        "part": facts.part,
        "claimed": facts.claimed or "none",
        "cause": overall.cause,
        "grade": overall.grade,
        "fault": "unknown" if overall.fault is None else overall.fault,
        "warranty": standing(facts, warranty),
        "another_part": facts.another_part or overall.another_part,
        "flags": open_flags > 0,
    }
    ages: Mapping[str, float | None] = {"hours": facts.hours_run, "days": facts.days_run}
    said = {one.about: one.state for one in found if one.kind == "reading"}
    for key, wanted in when.items():
        if key == "sure":
            fits = SURE.index(overall.sure) >= SURE.index(wanted)
        elif key == "reading":
            fits = all(said.get(check) in says for check, says in wanted.items())
        elif key.endswith(("_from", "_below")):
            name, end = key.split("_")
            age = ages[name]
            fits = age is not None and (age >= wanted if end == "from" else age < wanted)
        else:
            fits = known[key] in wanted if isinstance(wanted, list | tuple) else known[key] == wanted
        if not fits:
            return False
    return True


__all__ = [
    "MISSING",
    "Policy",
    "PolicyError",
    "Proposal",
    "Row",
    "load_policy",
    "propose",
    "read_policy",
    "standing",
]
