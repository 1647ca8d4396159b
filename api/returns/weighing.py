"""All that is known of a return, put together: findings, what is missing, what the policy proposes. Decides nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy.orm import Session

from wearvision.grade import Grader
from wearvision.standard.counter import CounterFinding, checks_at_counter
from wearvision_api.house import House
from wearvision_api.returns.findings import Facts, Finding, findings
from wearvision_api.returns.missing import Wanted, missing_of
from wearvision_api.returns.overall import Overall, weigh_findings
from wearvision_api.returns.policy import Policy, Proposal, propose
from wearvision_api.store.return_tables import ReturnRow


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a return comes to.

    Attributes:
        facts: Of the claim.
        findings: Which part it is, every wear mode, every reading.
        overall: All of them together.
        missing: What is wanted and not there, with reasons for doing without.
        open_flags: Flags that nobody has looked at.
        proposal: Of the policy in force.
    """

    facts: Facts
    findings: tuple[Finding, ...]
    overall: Overall
    missing: tuple[Wanted, ...]
    open_flags: int
    proposal: Proposal

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, as a decision keeps them; ``class`` is the likely class of cause or ``open``."""
        return {
            "facts": asdict(self.facts),
            "findings": [one.to_dict() for one in self.findings],
            "overall": self.overall.to_dict(),
            "class": self.overall.cause,
            "missing": [asdict(one) for one in self.missing],
            "open_flags": self.open_flags,
            "proposal": self.proposal.to_dict(),
        }


def weigh(
    house: House,
    row: ReturnRow,
    *,
    report: Mapping[str, Any] | None = None,
    grader: Grader | None = None,
    policy: Policy | None = None,
) -> Weighed:
    """Weighs a return as it stands.

    Args:
        house: Limits, checks and policy in force.
        row: The return, with all that belongs to it.
        report: Another report of its photos than the recorded one.
        grader: Whose limits that report was judged by; None: those in force.
        policy: Another policy; None: the one in force.
    """
    recorded = row.grade
    own = report is None
    seen = recorded.report if own and recorded is not None else report
    facts = facts_of(row, seen)
    asked = {one.id for one in checks_at_counter(row.part)}  # readings of a part that was claimed before count no more
    found = findings(
        seen,
        [CounterFinding.from_dict(one.finding) for one in row.readings if one.check in asked],
        facts,
        limits=(grader or house.grader).limits,
        wiping=recorded.wiping if own and recorded is not None else None,
    )
    missing = missing_of(row)
    open_flags = sum(one.settled is None for one in row.flags)
    proposal = propose(
        policy or house.policy,
        found,
        facts,
        missing=[one.title for one in missing if not one.reason],
        open_flags=open_flags,
        waived=[one.title for one in missing if one.reason],
    )
    return Weighed(facts, tuple(found), weigh_findings(found), missing, open_flags, proposal)


def reckon(house: House, session: Session, row: ReturnRow) -> None:
    """Brings the doubt that the working list orders by up to date; the caller commits."""
    if row.state == "gathering":
        row.doubt = weigh(house, row).overall.doubt
        session.flush()


def facts_of(row: ReturnRow, report: Mapping[str, Any] | None) -> Facts:
    """What is known of a claim beside photos and readings."""
    hours = None
    if row.hours_failed is not None and row.hours_installed is not None:
        hours = row.hours_failed - row.hours_installed
    days = None
    if row.failed_on is not None and row.installed_on is not None:
        days = (row.failed_on - row.installed_on).days
    return Facts(
        part=row.part,
        claimed=row.claimed,
        hours_run=hours,
        days_run=days,
        photo_part=report["part"]["name"] if report is not None else None,
    )
