"""People decide: one proposes by signing, a second one signs where it is needed, another one hears an objection."""

from __future__ import annotations

from datetime import date
from typing import Literal

from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append
from wearvision_api.returns.intake import demand_open, touch
from wearvision_api.returns.keeping import keep
from wearvision_api.returns.weighing import weigh
from wearvision_api.store.return_tables import Decision, Objection, ReturnRow
from wearvision_api.store.tables import new_id, now

Outcome = Literal["accept", "decline"]
OUTCOMES: tuple[Outcome, ...] = ("accept", "decline")


def decide(house: House, session: Session, who: Caller, row: ReturnRow, outcome: Outcome, reason: str) -> ReturnRow:
    """One person's decision, beside what the policy proposes. The caller commits.

    A second person is needed where the policy says so, where the decision goes against the proposal, and after a
    second person's no.

    Raises:
        Problem: it is decided, something wanted is missing without a reason, or the person decided or signed before
            the objection that is heard now.
    """
    demand_open(row)
    weighed = weigh(house, row)
    lacking = [one.title for one in weighed.missing if not one.reason]
    if lacking:
        raise Problem("conflict", f"Still missing: {'; '.join(lacking)}. Add it, or state why it can be done without.")
    if row.objections and who.id in took_part(row):
        raise Problem("not-allowed", "You took part in the decision that is objected to; another person must decide.")
    proposal = weighed.proposal
    refused = any(one.standing == "not agreed" for one in row.decisions)
    second = proposal.needs_second or proposal.outcome != outcome or refused
    decision = Decision(
        id=new_id(),
        owner_id=who.id,
        return_id=row.id,
        attempt=row.attempt,
        proposal=keep(house, row, weighed),
        outcome=outcome,
        reason=reason,
        needs_second=second,
        standing="waiting" if second else "final",
        second_reason="",
        created_at=now(),
    )
    session.add(decision)
    row.state = "second person" if second else "decided"
    row.closed_at = None if second else now()
    append(
        session,
        who.name,
        "decided",
        "return",
        row.id,
        before={"proposal": proposal.to_dict()},
        after={"decision": decision.id, "outcome": outcome, "reason": reason, "needs_second": second},
        photos=[one.sha256 for one in row.photos],
    )
    touch(session, row)
    return row


def sign(session: Session, who: Caller, row: ReturnRow, *, agrees: bool, reason: str) -> ReturnRow:
    """The second person's word. The caller commits; the row must be held (``find(…, to_change=True)``).

    Raises:
        Problem: no decision waits, or the same person has made it.
    """
    waiting = next((one for one in row.decisions if one.standing == "waiting"), None)
    if waiting is None:
        raise Problem("conflict", "No decision waits for a second person here.")
    if who.id == waiting.owner_id:
        raise Problem("not-allowed", "You made this decision; another person must sign it.")
    if row.objections and who.id in took_part(row):
        raise Problem("not-allowed", "You took part in the decision that is objected to; another person must sign.")
    waiting.second_id, waiting.second_at, waiting.second_reason = who.id, now(), reason
    waiting.standing = "final" if agrees else "not agreed"
    row.state = "decided" if agrees else "gathering"
    row.closed_at = now() if agrees else None
    if not agrees:
        row.attempt += 1
    append(
        session,
        who.name,
        "signed" if agrees else "not agreed",
        "return",
        row.id,
        after={"decision": waiting.id, "reason": reason},
    )
    touch(session, row)
    return row


def object_to(
    session: Session, who: Caller, row: ReturnRow, text: str, received_on: date, record_id: str | None = None
) -> ReturnRow:
    """Records that the claimant does not agree. The caller commits.

    Raises:
        Problem: there is no final decision, or it is objected to already.
    """
    final = final_decision(row)
    if final is None or row.state != "decided":
        raise Problem("conflict", "There is no decision that one could object to.")
    objection = Objection(
        id=record_id or new_id(),
        owner_id=who.id,
        return_id=row.id,
        decision_id=final.id,
        text=text,
        received_on=received_on,
    )
    session.add(objection)
    row.state, row.closed_at = "objected", None
    append(
        session,
        who.name,
        "objection received",
        "return",
        row.id,
        after={"objection": objection.id, "decision": final.id, "text": text, "received_on": received_on.isoformat()},
    )
    touch(session, row)
    return row


def take_up(session: Session, who: Caller, row: ReturnRow) -> ReturnRow:
    """Opens a return again to hear an objection. The caller commits.

    Raises:
        Problem: nothing is objected to, or the person took part in the decision.
    """
    open_one = next((one for one in row.objections if one.taken_by is None), None)
    if row.state != "objected" or open_one is None:
        raise Problem("conflict", "No objection waits here.")
    if who.id in took_part(row):
        raise Problem("not-allowed", "You took part in this decision; another person must hear the objection.")
    open_one.taken_by, open_one.taken_at = who.id, now()
    row.state, row.attempt = "gathering", row.attempt + 1
    append(session, who.name, "opened again", "return", row.id, after={"objection": open_one.id})
    touch(session, row)
    return row


def final_decision(row: ReturnRow) -> Decision | None:
    """The newest decision that stands; None where there is none."""
    return next((one for one in reversed(row.decisions) if one.standing == "final"), None)


def took_part(row: ReturnRow) -> set[str]:
    """Who decided or signed, up to the newest decision that is objected to."""
    objected = {one.decision_id for one in row.objections}
    heard = max((one.attempt for one in row.decisions if one.id in objected), default=0)
    taken = [one for one in row.decisions if one.attempt <= heard]
    return {one.owner_id for one in taken} | {one.second_id for one in taken if one.second_id}
