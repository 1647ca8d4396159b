"""Walks from a symptom: taken in as the phone walked them, checked by the library, kept with what each answer meant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session

from wearvision.standard.starts import load_starts
from wearvision.walk import walk
from wearvision_api.accounts.roles import Caller
from wearvision_api.problems import Problem
from wearvision_api.services import inspecting
from wearvision_api.store.tables import Walk, new_id


@dataclass(frozen=True, slots=True)
class Walked:
    """A walk in words.

    Attributes:
        title: The symptom.
        steps: Title of each check, what was entered, and what it meant.
        end: Where it came to; empty while it goes on.
    """

    title: str
    steps: tuple[tuple[str, str, str], ...]
    end: str


def keep(
    session: Session,
    who: Caller,
    start: str,
    answers: Sequence[dict[str, Any]],
    inspection: str | None = None,
    record_id: str | None = None,
) -> Walk:
    """Keeps a walk, with what each answer meant by the data of the day. The caller commits.

    Raises:
        wearvision.errors.InputError: there is no such start, or an answer does not fit its check.
        Problem: there is no such inspection, or it is closed.
    """
    if inspection is not None:
        inspecting.demand_open(inspecting.find(session, inspection))
    found = walk(start, answers)
    steps = [
        step.to_dict() | {"answer": answer["answer"], "photograph": step.check.part or None, "setting": step.setting}
        for step, answer in zip(found.steps, answers, strict=True)
    ]
    row = Walk(id=record_id or new_id(), owner_id=who.id, inspection_id=inspection, start=start, steps=steps)
    session.add(row)
    session.flush()
    session.refresh(row)
    return row


def visible(who: Caller) -> Select[Walk]:
    """The walks that somebody may see: own ones and those of inspections."""
    query = select(Walk)
    return query if who.sees_all else query.where(or_(Walk.owner_id == who.id, Walk.inspection_id.is_not(None)))


def find(session: Session, who: Caller, walk_id: str) -> Walk:
    """A walk that the caller may see. Raises Problem where there is none."""
    row = session.scalar(visible(who).where(Walk.id == walk_id))
    if row is None:
        raise Problem("not-found", f"There is no walk {walk_id}.")
    return row


def of_inspection(session: Session, inspection: str) -> list[Walk]:
    """The walks of a visit, oldest first."""
    query = select(Walk).where(Walk.inspection_id == inspection).order_by(Walk.created_at, Walk.id)
    return list(session.scalars(query))


def title(row: Walk) -> str:
    """The symptom in words; its id where the data have it no more."""
    start = load_starts().starts.get(row.start)
    return start.title if start else row.start


def end(row: Walk) -> dict[str, Any] | None:
    """The end that a walk came to; None while it goes on."""
    found = load_starts().ends.get(row.steps[-1]["leads_to"])
    return found.to_dict() if found else None


def walked(row: Walk) -> Walked:
    """A walk in words, for the sheet."""
    steps = tuple((step["title"], step["entered"], f"{step['text']} {step['note']}".strip()) for step in row.steps)
    ended = end(row)
    return Walked(title(row), steps, f"{ended['title']}. {ended['text']}" if ended else "")
