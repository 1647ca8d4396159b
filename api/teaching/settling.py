"""Settles an example from its labels and the evidence, or finds what it still needs: a second label, a third person."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import func, null, select
from sqlalchemy.orm import Session

from wearvision.labels.label import Label
from wearvision.labels.settling import DECIDES, settle
from wearvision.labels.truth import Given, Truth
from wearvision.measure.result import Measured, Outcome, Reason, Unmeasured
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import MAY
from wearvision_api.house import House
from wearvision_api.record.ledger import append
from wearvision_api.store.tables import Account, now
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow, LabelRow
from wearvision_api.teaching.evidence import evidence_on

SECOND_SHARE = 0.25
"""Of the examples for training that one person settled, the share that a second person labels blindly, too; the
project's own choice, no published source. What calibrates and tests, and every *replace*, is labelled twice anyway."""


def standing_labels(labels: Iterable[LabelRow]) -> list[LabelRow]:
    """The labels that count, oldest first: not taken back, the newest of each person and turn.

    From turn 3 on whoever labels has seen what others said and decides: of those only the newest counts.
    """
    standing = sorted((row for row in labels if row.withdrawn_at is None), key=lambda row: (row.created_at, row.id))
    deciding = [row for row in standing if row.turn >= DECIDES][-1:]
    newest = {(row.owner_id, row.turn): row for row in standing if row.turn < DECIDES}
    return [*newest.values(), *deciding]


def given(row: LabelRow) -> Given:
    """A label as ``wearvision.labels`` takes it."""
    return Given(
        row.owner_id,
        row.turn,
        Label.read(row.body),
        {name: outcome_of(one) for name, one in row.measured.items()},
    )


def wants_second(session: Session, row: ExampleRow, first: LabelRow) -> bool:
    """Whether one label is too few for an example; never where nobody else may label.

    Args:
        session: Open.
        row: The example.
        first: Its only label.
    """
    # Nothing of the photo decides, so that the share stays what it is said to be, and nobody can foresee it.
    drawn = int.from_bytes(hashlib.sha256(f"second {row.id}".encode()).digest()[:8], "big") < SECOND_SHARE * 2**64
    wanted = row.split != "train" or first.body.get("grade") == "replace" or drawn
    return wanted and others_who_label(session, {first.owner_id}) > 0


def others_who_label(session: Session, but: set[str]) -> int:
    """How many people may label beside some; the account of a service without a log-in is nobody beside others."""
    roles = [role for role, actions in MAY.items() if "labels:write" in actions]
    query = select(func.count()).where(Account.active, Account.role.in_(roles), Account.id.not_in({*but, LOCAL_ID}))
    return session.scalar(query) or 0


def resettle(house: House, session: Session, row: ExampleRow, who: str = "wearvision") -> Truth | None:
    """Reckons the truth and the state of an example anew from all that stands. The caller commits.

    What came with a labelled folder counts until somebody labels it here.

    Args:
        house: The running service.
        session: Of a writing transaction, which holds the row.
        row: The example; one that is left out keeps its state.
        who: Account name of whoever brought it about.

    Returns:
        The truth; None where there is none yet, or the labels differ.
    """
    labels = standing_labels(session.scalars(select(LabelRow).where(LabelRow.example_id == row.id)))
    if not labels and row.brought is not None:
        return Truth.read(row.truth) if row.truth is not None else None
    before, was = row.state, row.truth
    found = _settled(house, session, row, labels)
    truth = found if isinstance(found, Truth) else None
    doubt = session.get(DoubtRow, row.id)
    if truth is None:
        state = "third" if labels else "waiting"
    elif before == "again" and doubt is not None and doubt.answered_at is None:
        state = "again"
    else:
        state = (
            "second"
            if len(labels) == 1 and labels[0].turn < DECIDES and wants_second(session, row, labels[0])
            else "settled"
        )
    known = truth.to_dict() if truth is not None and state in ("settled", "again") else None
    if row.state != "left out":
        row.state = state
    if known != was or state != before:
        row.truth = null() if known is None else known
        row.settled_at = now() if known is not None else None
        row.version += 1
        session.flush()
        session.refresh(row)
        _tell(session, row, who, before, was)
    return truth


def _settled(house: House, session: Session, row: ExampleRow, labels: Sequence[LabelRow]) -> object:
    """The truth or the dispute; None without a label."""
    if not labels:
        return None
    parts = {one.body["part"] for one in labels}
    evidence = evidence_on(session, house.checks, row.photo_id, parts.pop()) if len(parts) == 1 else ()
    return settle([given(one) for one in labels], evidence, house.grader.limits)


def _tell(session: Session, row: ExampleRow, who: str, before: str, was: dict[str, Any] | None) -> None:
    """Puts on record what an example settled as, or that people differ over it."""
    if row.truth is not None:
        what, after = (
            "settled",
            {name: row.truth[name] for name in ("part", "fit", "grade", "acceptable_grades", "rank")},
        )
    elif row.state == "third" and before != "third":
        what, after = "disputed", {}
    elif was is not None:
        what, after = "no longer settled", {}
    else:
        return
    append(
        session,
        who,
        what,
        "example",
        row.id,
        before={"state": before},
        after={"state": row.state} | after,
        photos=[row.sha256],
    )


def resettle_photos(house: House, session: Session, photos: Iterable[str], who: str) -> None:
    """Settles anew the labelled examples among some photos: a reading or a pair came in. The caller commits.

    Args:
        house: The running service.
        session: Of a writing transaction.
        photos: Ids.
        who: Account name of whoever entered it.
    """
    query = select(ExampleRow).where(ExampleRow.photo_id.in_(list(photos)), ExampleRow.state != "waiting")
    for row in session.scalars(query.order_by(ExampleRow.id).with_for_update(key_share=True)).all():
        resettle(house, session, row, who)


def outcome_dict(outcome: Outcome) -> dict[str, Any]:
    """A measure as it is kept and sent: value and interval to six places, or the reason why there is none."""
    if isinstance(outcome, Unmeasured):
        return {"value": None, "reason": str(outcome.reason), "note": outcome.note}
    ends = {"value": outcome.value, "low": outcome.low, "high": outcome.high}
    return {name: round(float(end), 6) for name, end in ends.items()} | {"unit": outcome.unit, "note": outcome.note}


def outcome_of(kept: dict[str, Any]) -> Outcome:
    """A measure as it was kept."""
    if kept["value"] is None:
        return Unmeasured(Reason(kept["reason"]), kept.get("note", ""))
    return Measured(kept["value"], kept["low"], kept["high"], kept.get("unit", "1"), None, kept.get("note", ""))


__all__ = [
    "SECOND_SHARE",
    "given",
    "others_who_label",
    "outcome_dict",
    "outcome_of",
    "resettle",
    "resettle_photos",
    "standing_labels",
    "wants_second",
]
