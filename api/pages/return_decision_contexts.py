"""What the page of a return shows of decisions and objections. A person decides; findings are laid beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.pages.return_finding_contexts import (
    FindingView,
    ProposalView,
    finding_view,
    overall_words,
    proposal_view,
    settling,
)
from wearvision_api.pages.return_words import DONE, OUTCOMES, day
from wearvision_api.returns.deciding import final_decision, took_part
from wearvision_api.returns.weighing import Weighed
from wearvision_api.services.sheet import moment
from wearvision_api.store.return_tables import Decision, ReturnRow
from wearvision_api.store.tables import now

STANDINGS = {
    "waiting": "Waits for a second person",
    "final": "Stands",
    "not agreed": "The second person did not agree: it is decided anew",
}
ALONE = (
    "This service runs without accounts, so everybody here is one and the same person. Run it with accounts: another "
    "person can then sign."
)
NO_RIGHT = "Your role may look, but not decide."


@dataclass(frozen=True, slots=True)
class DecisionView:
    """A decision as it was made: title, standing, facts, and whether it went against the proposal."""

    title: str
    standing: str
    facts: tuple[tuple[str, str], ...]
    against: str


@dataclass(frozen=True, slots=True)
class Choice:
    """An outcome that can be chosen, and what choosing it means beside the proposal."""

    value: str
    label: str
    means: str


@dataclass(frozen=True, slots=True)
class DecisionPart:
    """Findings, proposal, decisions and objections.

    Attributes:
        headline: The decision in force, or what the policy proposes: its name and outcome.
        cause: Key of the likely class of cause, or ``open``.
        overall: Class and doubt in a sentence.
        kept: Since when findings and proposal stand as they are shown; empty: as of now.
        findings: What carries weight: worn, in doubt, or a reading.
        left_open: Titles of the wear modes that checks can still settle; empty once it is decided.
        settled_by: Id and title of these checks.
        quiet: The others, in a line each.
        proposal: Of the policy.
        decisions: Made so far, newest first.
        objections: Facts of each, newest first.
        may_decide: Whether the form to decide is shown.
        choices: Its outcomes.
        may_sign: Whether the second person's form is shown.
        may_object: Whether an objection can be recorded.
        may_hear: Whether the caller can open it again.
        why_not: Why the caller can do nothing of it now; empty where they can, or nothing waits.
        today: For the day on which an objection came.
        is_final: Whether the letter says something that stands.
    """

    headline: tuple[str, str]
    cause: str
    overall: str
    kept: str
    findings: tuple[FindingView, ...]
    left_open: tuple[str, ...]
    settled_by: tuple[tuple[str, str], ...]
    quiet: tuple[tuple[str, str], ...]
    proposal: ProposalView
    decisions: tuple[DecisionView, ...]
    objections: tuple[tuple[tuple[str, str], ...], ...]
    may_decide: bool
    choices: tuple[Choice, ...]
    may_sign: bool
    may_object: bool
    may_hear: bool
    why_not: str
    today: str
    is_final: bool


def decision_part(row: ReturnRow, weighed: Weighed, who: Caller, house: House) -> DecisionPart:
    """Findings, proposal and decisions, as this caller may go on with them."""
    kept = row.decisions[-1] if row.decisions and row.state != "gathering" else None
    shown: Mapping[str, Any] = kept.proposal if kept is not None else weighed.to_dict()
    found = [finding_view(one) for one in shown["findings"]]
    loud = tuple(one for one in found if one.cause or one.kind != "wear" or one.grade not in (None, "serviceable"))
    cause = str(shown.get("class") or "open")
    may, why_not = _turn(row, weighed, who, accounts=house.settings.accounts)
    proposal = proposal_view(shown)
    taken = {one.check for one in row.readings}
    left, checks = ((), ()) if kept else settling(row.part, shown["findings"], taken)
    return DecisionPart(
        headline=("Decided", _done(kept, row)) if kept else ("Policy proposes", proposal.outcome),
        cause=cause,
        overall=overall_words(cause, shown),
        kept=f"As they stood when {kept.owner.name} decided, {moment(kept.created_at)}." if kept else "",
        findings=loud,
        left_open=left,
        settled_by=checks,
        quiet=tuple((one.title, one.state) for one in found if one not in loud),
        proposal=proposal,
        decisions=tuple(decision_view(one) for one in reversed(row.decisions)),
        objections=tuple(_objection(row, index) for index in reversed(range(len(row.objections)))),
        may_decide=may == "decide",
        choices=_choices(row, shown),
        may_sign=may == "sign",
        may_object=row.state == "decided" and who.may("returns:write"),
        may_hear=may == "hear",
        why_not=why_not,
        today=day(now().date()),
        is_final=final_decision(row) is not None and row.state == "decided",
    )


def decision_view(one: Decision) -> DecisionView:
    """A decision with who made and who signed it."""
    proposed = str(one.proposal["proposal"]["outcome"])
    facts = [("Decided by", f"{one.owner.name}, {moment(one.created_at)}"), ("Reason", one.reason)]
    if one.second is not None and one.second_at is not None:
        word = "Signed by" if one.standing == "final" else "Not agreed by"
        facts += [(word, f"{one.second.name}, {moment(one.second_at)}"), ("Their reason", one.second_reason)]
    facts.append(("Policy proposed", f"{OUTCOMES[proposed]} (row {one.proposal['proposal']['row']})"))
    against = proposed in DONE and proposed != one.outcome
    return DecisionView(
        f"Decision {one.attempt}: {DONE[one.outcome]}",
        STANDINGS[one.standing],
        tuple(facts),
        "This goes against what the policy proposed." if against else "",
    )


def _turn(row: ReturnRow, weighed: Weighed, who: Caller, *, accounts: bool) -> tuple[str, str]:
    """What the caller can do next (``decide``, ``sign``, ``hear`` or nothing), or why not."""
    if row.state == "decided":
        return "", ""
    if not who.may("returns:decide"):
        return "", NO_RIGHT
    if row.objections and who.id in took_part(row):
        return "", "You took part in the decision that is objected to; another person must go on." + _alone(accounts)
    if row.state == "objected":
        return "hear", ""
    if row.state == "second person":
        made = next(one for one in row.decisions if one.standing == "waiting")
        if made.owner_id == who.id:
            return "", "You made this decision, so another person must sign it." + _alone(accounts)
        return "sign", ""
    lacking = sum(not one.reason for one in weighed.missing)
    if lacking:
        things = "thing is" if lacking == 1 else "things are"
        return "", f"{lacking} {things} still missing. Add what you can, or say why it can be done without."
    return "decide", ""


def _done(kept: Decision, row: ReturnRow) -> str:
    beside = ", not final" if kept.standing == "waiting" else ", objected to" if row.state == "objected" else ""
    return DONE[kept.outcome].capitalize() + beside


def _alone(accounts: bool) -> str:
    return "" if accounts else f" {ALONE}"


def _choices(row: ReturnRow, shown: Mapping[str, Any]) -> tuple[Choice, ...]:
    proposed = str(shown["proposal"]["outcome"])
    refused = any(one.standing == "not agreed" for one in row.decisions)
    found = []
    for value in DONE:
        if proposed in DONE and proposed != value:
            means = f"Against the policy, which proposes: {OUTCOMES[proposed].lower()}. A second person must sign."
        elif proposed not in DONE:
            means = "The policy proposes neither. A second person must sign."
        elif shown["proposal"]["needs_second"]:
            means = "As the policy proposes. A second person must sign, for the reasons above."
        elif refused:
            means = "As the policy proposes. A second person must sign, since one did not agree before."
        else:
            means = "As the policy proposes. It then stands at once."
        found.append(Choice(value, OUTCOMES[value], means))
    return tuple(found)


def _objection(row: ReturnRow, index: int) -> tuple[tuple[str, str], ...]:
    one = row.objections[index]
    taken = f"Opened again, {moment(one.taken_at)}" if one.taken_at is not None else "Nobody has taken it up yet"
    return (("Came on", day(one.received_on)), ("They say", one.text), ("Standing", taken))
