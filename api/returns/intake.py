"""A claim as it comes in: opened, corrected, found again; each step goes to the log."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.honesty.check import ask_serial
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import append
from wearvision_api.returns.flagging import flag
from wearvision_api.returns.numbers import next_number
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.store.tables import Machine, new_id, now

CLAIM_FIELDS = (
    "part",
    "part_number",
    "lot",
    "serial",
    "machine_id",
    "machine",
    "hours_installed",
    "hours_failed",
    "hours_last_good",
    "installed_on",
    "failed_on",
    "returned_on",
    "claimant",
    "story",
    "claimed",
    "value_minor",
    "currency",
    "kept_where",
    "kept_until",
    "may_teach",
)
"""What a claim says; all of it goes to the log."""
_IN_ORDER = (
    ("installed_on", "failed_on", "The part failed before it was fitted."),
    ("failed_on", "returned_on", "The part came back before it failed."),
    ("installed_on", "returned_on", "The part came back before it was fitted."),
    ("returned_on", "kept_until", "The part would be kept until before it came back."),
    ("hours_installed", "hours_failed", "The hour meter read less at the failure than at the fitting."),
    ("hours_installed", "hours_last_good", "The hour meter read less when last found good than at the fitting."),
    ("hours_last_good", "hours_failed", "The hour meter read less at the failure than when last found good."),
)


def open_return(session: Session, who: Caller, said: Mapping[str, Any], record_id: str | None = None) -> ReturnRow:
    """Takes a claim in and gives it its number. The caller commits.

    Args:
        session: Open.
        who: Takes it in.
        said: Some of ``CLAIM_FIELDS``; ``part`` is needed.
        record_id: Chosen by the caller.

    Raises:
        Problem: there is no such part or machine, or dates or hours contradict each other.
    """
    today = now().date()
    row = ReturnRow(
        id=record_id or new_id(),
        owner_id=who.id,
        number=next_number(session, today),
        part_number="",
        lot="",
        serial="",
        machine="",
        claimant="",
        story="",
        claimed="",
        currency="",
        kept_where="",
        returned_on=today,
        may_teach=False,
    )
    _write(session, row, said)
    session.add(row)
    session.flush()
    append(session, who.name, "opened", "return", row.id, after={"number": row.number, **claim_of(row)})
    for found in ask_serial(session, row):
        flag(session, who, row, None, found)
    session.refresh(row)
    return row


def change(session: Session, who: Caller, row: ReturnRow, said: Mapping[str, Any]) -> ReturnRow:
    """Corrects what a claim says. The caller commits.

    Raises:
        Problem: it is decided, or dates or hours contradict each other.
    """
    demand_open(row)
    before = claim_of(row)
    _write(session, row, said)
    after = claim_of(row)
    changed = [name for name in CLAIM_FIELDS if before[name] != after[name]]
    if "part" in changed:
        row.grade_id = None  # other views count for another part
    if changed:
        append(
            session,
            who.name,
            "changed",
            "return",
            row.id,
            before={name: before[name] for name in changed},
            after={name: after[name] for name in changed},
        )
        touch(session, row)
    return row


def find(session: Session, return_id: str, *, to_change: bool = False) -> ReturnRow:
    """A return. Raises Problem where there is none.

    Args:
        session: Open.
        return_id: Its id.
        to_change: Hold the row, so that two changes at the same time follow each other.
    """
    query = select(ReturnRow).where(ReturnRow.id == return_id).execution_options(populate_existing=True)
    # Not the key: another step may name this return in a flag meanwhile, and would wait for it with the record held.
    row = session.scalar(query.with_for_update(key_share=True) if to_change else query)
    if row is None:
        raise Problem("not-found", f"There is no return {return_id}.")
    return row


def given(said: Mapping[str, Any]) -> dict[str, Any]:
    """A correction as it is written: an emptied text is empty; what cannot be empty stays as it was."""
    texts = {"part_number", "lot", "serial", "machine", "claimant", "story", "claimed", "currency", "kept_where"}
    plain = {name: "" if value is None and name in texts else value for name, value in said.items()}
    kept = ("part", "returned_on", "may_teach")
    return {name: value for name, value in plain.items() if value is not None or name not in kept}


def demand_open(row: ReturnRow) -> None:
    """Raises Problem where nothing may be added or changed: a decision was made."""
    if row.state != "gathering":
        raise Problem("conflict", "A decision was made on what is there; an objection opens the return again.")


def touch(session: Session, row: ReturnRow) -> None:
    """Counts a change, so that whoever read it before is told."""
    row.version += 1
    session.flush()
    session.refresh(row)


def claim_of(row: ReturnRow) -> dict[str, Any]:
    """What a claim says, as plain JSON."""
    values = {name: getattr(row, name) for name in CLAIM_FIELDS}
    return {name: value.isoformat() if isinstance(value, date) else value for name, value in values.items()}


def _write(session: Session, row: ReturnRow, said: Mapping[str, Any]) -> None:
    for name, value in said.items():
        if name not in CLAIM_FIELDS:
            raise KeyError(name)
        setattr(row, name, value)
    if row.part not in PARTS:
        raise Problem("invalid", f"There is no part {row.part!r}; there are {', '.join(PARTS)}.")
    if said.get("machine_id"):
        machine = session.get(Machine, said["machine_id"])
        if machine is None:
            raise Problem("not-found", f"There is no machine {said['machine_id']}.")
        row.machine = machine.identifier
    elif "machine" in said and "machine_id" not in said and row.machine_id is not None:
        kept = session.get(Machine, row.machine_id)
        if kept is None or kept.identifier != row.machine:
            row.machine_id = None  # another machine than the one on record
    for first, then, fault in _IN_ORDER:
        early, late = getattr(row, first), getattr(row, then)
        if early is not None and late is not None and early > late:
            raise Problem("invalid", f"{fault} Put {_words(first)} or {_words(then)} right.")
    if row.value_minor is not None and not row.currency:
        raise Problem("invalid", "A value needs its currency, three letters after ISO 4217.")


def _words(name: str) -> str:
    return name.replace("_", " ")
