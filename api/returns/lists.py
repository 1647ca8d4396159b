"""The counter's working list: what waits, filtered and in order; filters kept under a name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from datetime import timedelta
from typing import Any, Literal

from sqlalchemy import ColumnElement, Select, and_, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from wearvision.return_numbers import read_number
from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.store.return_tables import Decision, Flag, Objection, ReturnRow, SavedList
from wearvision_api.store.tables import new_id, now

Order = Literal["age", "value", "doubt", "newest"]
PAGE = 50
MOST_SAVED = 50


@dataclass(frozen=True, slots=True)
class Filters:
    """What the list shows; empty or None: no matter.

    Attributes:
        state: One of the states; ``open`` for all but decided ones; ``mine`` for what the caller can do next.
        part: Key of a part.
        text: In number, serial, lot, part number, machine or claimant.
        flagged: Only those with a flag that nobody has looked at.
        days_from: Open at least so many days.
        value_from: Value of the claim at least, in the currency's smallest unit.
        doubt_from: 0 to 1.
        order: ``age`` oldest first, ``value`` and ``doubt`` highest first, ``newest`` first.
    """

    state: str = "open"
    part: str = ""
    text: str = ""
    flagged: bool = False
    days_from: int | None = None
    value_from: int | None = None
    doubt_from: float | None = None
    order: Order = "age"

    def to_dict(self) -> dict[str, Any]:
        """As it is saved: only what differs from the list as it opens."""
        bare = Filters()
        return {name: value for name, value in asdict(self).items() if value != getattr(bare, name)}


def filters_of(saved: dict[str, Any]) -> Filters:
    """Filters as they were saved; what a later version does not know is left out."""
    known = {one.name for one in fields(Filters)}
    return Filters(**{name: value for name, value in saved.items() if name in known})


def query_of(filters: Filters, who: Caller) -> Select[ReturnRow]:
    """The returns that the filters leave, in their order."""
    query = select(ReturnRow).where(*_conditions(filters, who))
    age = ReturnRow.created_at
    order: dict[Order, tuple[ColumnElement[Any], ...]] = {
        "age": (age.asc(), ReturnRow.id.asc()),
        "newest": (age.desc(), ReturnRow.id.desc()),
        "value": (func.coalesce(ReturnRow.value_minor, -1).desc(), age.asc(), ReturnRow.id.asc()),
        "doubt": (ReturnRow.doubt.desc(), age.asc(), ReturnRow.id.asc()),
    }
    return query.order_by(*order[filters.order])


def listed(session: Session, filters: Filters, who: Caller, number: int = 1) -> tuple[Sequence[ReturnRow], int]:
    """One page of the list (``PAGE`` returns, the first is 1), and how many there are in all."""
    total = session.scalar(select(func.count()).select_from(ReturnRow).where(*_conditions(filters, who))) or 0
    rows = session.scalars(query_of(filters, who).limit(PAGE).offset((max(1, number) - 1) * PAGE)).all()
    return rows, total


def counts(session: Session, who: Caller) -> dict[str, int]:
    """How many returns stand in each state, and under ``mine`` how many wait for the caller."""
    grouped = session.execute(select(ReturnRow.state, func.count()).group_by(ReturnRow.state)).all()
    found = {str(state): int(number) for state, number in grouped}
    found["mine"] = session.scalar(select(func.count()).select_from(ReturnRow).where(_mine(who))) or 0
    return found


def jump(session: Session, text: str) -> ReturnRow | None:
    """The return whose whole number was typed or scanned; None where the text is none."""
    number = read_number(text)
    return session.scalar(select(ReturnRow).where(ReturnRow.number == number)) if number else None


def _conditions(filters: Filters, who: Caller) -> list[ColumnElement[bool]]:
    wanted: list[ColumnElement[bool]] = []
    if filters.state == "open":
        wanted.append(ReturnRow.state != "decided")
    elif filters.state == "mine":
        wanted.append(_mine(who))
    elif filters.state:
        wanted.append(ReturnRow.state == filters.state)
    if filters.part:
        wanted.append(ReturnRow.part == filters.part)
    if filters.text:
        part = filters.text.strip().lower()
        columns = (
            ReturnRow.number,
            ReturnRow.serial,
            ReturnRow.lot,
            ReturnRow.part_number,
            ReturnRow.machine,
            ReturnRow.claimant,
        )
        wanted.append(or_(*(func.lower(column).contains(part, autoescape=True) for column in columns)))
    if filters.flagged:
        wanted.append(exists().where(Flag.return_id == ReturnRow.id, Flag.settled.is_(None)))
    if filters.days_from is not None:
        wanted.append(ReturnRow.created_at <= now() - timedelta(days=filters.days_from))
    if filters.value_from is not None:
        wanted.append(ReturnRow.value_minor >= filters.value_from)
    if filters.doubt_from is not None:
        wanted.append(ReturnRow.doubt >= filters.doubt_from)
    return wanted


def _mine(who: Caller) -> ColumnElement[bool]:
    """What the caller can do next: gather and decide, sign what another decided, hear what others decided."""
    waiting = exists().where(
        Decision.return_id == ReturnRow.id, Decision.standing == "waiting", Decision.owner_id != who.id
    )
    theirs, objected = aliased(Decision), aliased(Decision)
    took_part = exists().where(
        Objection.return_id == ReturnRow.id,
        objected.id == Objection.decision_id,
        theirs.return_id == ReturnRow.id,
        theirs.attempt <= objected.attempt,
        or_(theirs.owner_id == who.id, theirs.second_id == who.id),
    )
    return or_(
        and_(ReturnRow.state == "gathering", ~took_part),
        and_(ReturnRow.state == "second person", waiting, ~took_part),
        and_(ReturnRow.state == "objected", ~took_part),
    )


def save(session: Session, who: Caller, name: str, filters: Filters) -> SavedList:
    """Keeps filters under a name; the same name again replaces them. The caller commits.

    Raises:
        Problem: there are too many.
    """
    rows = saved(session, who)
    row = next((one for one in rows if one.name == name), None)
    if row is None:
        if len(rows) >= MOST_SAVED:
            raise Problem("conflict", f"There are {MOST_SAVED} saved lists; remove one first.")
        row = SavedList(id=new_id(), owner_id=who.id, name=name)
        session.add(row)
    row.query = filters.to_dict()
    session.flush()
    return row


def saved(session: Session, who: Caller) -> Sequence[SavedList]:
    """The caller's saved lists, by name."""
    return session.scalars(select(SavedList).where(SavedList.owner_id == who.id).order_by(SavedList.name)).all()


def forget(session: Session, who: Caller, list_id: str) -> None:
    """Removes a saved list of one's own. The caller commits. Raises Problem where there is none."""
    row = session.scalar(select(SavedList).where(SavedList.id == list_id, SavedList.owner_id == who.id))
    if row is None:
        raise Problem("not-found", f"You have no saved list {list_id}.")
    session.delete(row)
    session.flush()
