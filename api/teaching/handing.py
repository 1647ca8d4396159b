"""Hands examples out to be labelled: the most urgent ones, and some by lot, never one to two people at a time."""

from __future__ import annotations

import secrets
from datetime import timedelta

from sqlalchemy import ColumnElement, Select, exists, func, or_, select
from sqlalchemy.orm import Session

from wearvision.labels.queue import RANDOM_SHARE, spread
from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow

HELD = timedelta(minutes=15)
"""How long an example is kept for whoever was handed it."""
HELD_AT_MOST = HELD + timedelta(minutes=1)
"""A longer time tells that the clock was set back since: it holds nobody up."""
LOOKED_AT = 100
"""Of how many of the most urgent examples the next one is chosen."""
BLIND = ("waiting", "second")
"""States in which a label is given without sight of another one."""


def next_for(session: Session, who: Caller, *, by_lot: bool | None = None) -> ExampleRow | None:
    """The example that somebody labels next; it is held for them. The caller commits.

    What they hold already comes first. Else, with a chance of one in five, a lot is drawn; where it falls on an example
    that has a label already, and else, the hand-out goes by urgency, where the photos of a group count less the more
    of them have a label. First and second labels come mixed, and nothing tells them apart: a second label is blind,
    and never by the person who gave the first.

    Whoever asks at the same time gets another one: the row is locked while it is marked as held, and locked ones are
    passed over (SQLite has one writer at a time anyway).

    Args:
        session: Of a writing transaction.
        who: Labels.
        by_lot: Whether a lot is drawn; None: as a coin says that nobody can foresee.

    Returns:
        The example; None where nothing waits for this person.
    """
    held = session.scalar(_open_to(who).where(ExampleRow.held_by == who.id).order_by(ExampleRow.held_until).limit(1))
    if held is None:
        lot = secrets.randbelow(10_000) < RANDOM_SHARE * 10_000 if by_lot is None else by_lot
        held = (_by_lot(session, who) if lot else None) or _by_urgency(session, who)
    if held is not None:
        held.held_by, held.held_until = who.id, now() + HELD
        session.flush()
    return held


def hold_for(session: Session, who: Caller, row: ExampleRow) -> None:
    """Keeps an example for somebody who opened it; the caller commits.

    Raises:
        Problem: somebody else has it.
    """
    if held_by_other(row, who):
        raise Problem("conflict", "Somebody else was handed this example; it is free again when they are through.")
    row.held_by, row.held_until = who.id, now() + HELD
    session.flush()


def held_by_other(row: ExampleRow, who: Caller) -> bool:
    """Whether an example is kept for somebody else at this moment."""
    until, moment = row.held_until, now()
    return row.held_by not in (None, who.id) and until is not None and moment < until <= moment + HELD_AT_MOST


def waiting_for(session: Session, who: Caller) -> int:
    """How many examples somebody can label now."""
    return session.scalar(select(func.count()).select_from(_open_to(who).subquery())) or 0


def _open_to(who: Caller) -> Select[ExampleRow]:
    """Examples that somebody may label blindly and that nobody else holds."""
    own = exists().where(
        LabelRow.example_id == ExampleRow.id, LabelRow.owner_id == who.id, LabelRow.withdrawn_at.is_(None)
    )
    return select(ExampleRow).where(ExampleRow.state.in_(BLIND), ~own, _free_for(who))


def _free_for(who: Caller) -> ColumnElement[bool]:
    moment = now()
    is_over = or_(ExampleRow.held_until <= moment, ExampleRow.held_until > moment + HELD_AT_MOST)
    return or_(ExampleRow.held_by.is_(None), ExampleRow.held_by == who.id, is_over)


def _by_lot(session: Session, who: Caller) -> ExampleRow | None:
    """The lowest lot joins the random sample, whatever became of it (see ``wearvision.labels.queue``).

    Returns:
        The lowest lot of the sample that has no label and is free; None where all have one, or somebody holds them.
    """
    outside = select(ExampleRow).where(ExampleRow.at_random.is_(False)).order_by(ExampleRow.draw, ExampleRow.id)
    joins = session.scalar(outside.limit(1).with_for_update(of=ExampleRow, skip_locked=True))
    if joins is not None:
        joins.at_random = True
        session.flush()
    waiting = _open_to(who).where(ExampleRow.state == "waiting", ExampleRow.at_random)
    query = waiting.order_by(ExampleRow.draw, ExampleRow.id).limit(1)
    return session.scalar(query.with_for_update(of=ExampleRow, skip_locked=True))


def _by_urgency(session: Session, who: Caller) -> ExampleRow | None:
    """One of the most urgent, with an eye to how many of its group have a label."""
    columns = _open_to(who).with_only_columns(ExampleRow.id, ExampleRow.urgency, ExampleRow.group)
    top = session.execute(columns.order_by(ExampleRow.urgency.desc(), ExampleRow.draw).limit(LOOKED_AT)).all()
    groups = {row.group for row in top}
    counted = (
        select(ExampleRow.group, func.count(LabelRow.id))
        .join(LabelRow, LabelRow.example_id == ExampleRow.id)
        .where(ExampleRow.group.in_(groups), LabelRow.withdrawn_at.is_(None))
        .group_by(ExampleRow.group)
    )
    labels = {str(row[0]): int(row[1]) for row in session.execute(counted)}
    order = spread({row.id: row.urgency for row in top}, {row.id: labels.get(row.group, 0) for row in top})
    for example_id in order:
        query = _open_to(who).where(ExampleRow.id == example_id)  # looked at again under the lock
        row = session.scalar(query.with_for_update(of=ExampleRow, skip_locked=True).limit(1))
        if row is not None:
            return row
    return None


__all__ = ["BLIND", "HELD", "held_by_other", "hold_for", "next_for", "waiting_for"]
