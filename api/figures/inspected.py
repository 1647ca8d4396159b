"""Lives from inspections: a machine's part runs from where it was fitted, found good at each visit, until it fails."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from wearvision_api.figures.asked import Asked, Back
from wearvision_api.figures.life import Life
from wearvision_api.figures.population import Group, Population
from wearvision_api.services import grading, machines
from wearvision_api.services.meter import Read, running_hours
from wearvision_api.store.tables import GradeRow, Inspection, InstalledPhoto, Machine

BATCH = 200
SAME_REMOVAL_H = 24.0
"""A return and a visit's replacement this close are one removal (own choice, no published source)."""
What = Literal["fitted", "good", "failed", "taken out", "seen fitted"]
_ORDER: dict[What, int] = {"good": 0, "failed": 1, "taken out": 2, "fitted": 3, "seen fitted": 4}


@dataclass(frozen=True, slots=True)
class Event:
    """Something known of the part at a machine.

    Attributes:
        hours: Running hours of the machine.
        what: ``fitted`` new; found ``good``; ``failed`` and taken out; ``taken out`` though no failure counts;
            ``seen fitted``, which begins a life only where none is known to run.
        good: With ``failed``: when it was last good, if that is known otherwise than by visits.
    """

    hours: float
    what: What
    good: float | None = None


def lives_of(events: Iterable[Event]) -> tuple[list[Life], bool]:
    """The lives of one part's place at one machine.

    Args:
        events: In any order.

    Returns:
        The lives whose beginning is known, and whether anything was seen of a part whose beginning is not.
    """
    lives: list[Life] = []
    start: float | None = None
    good = 0.0
    headless = False
    removed = -np.inf
    for event in sorted(events, key=lambda one: (one.hours, _ORDER[one.what])):
        if event.what == "fitted" or (event.what == "seen fitted" and start is None):
            if start is not None and good > start:
                lives.append(Life(good - start, None))
            start = good = event.hours
            removed = -np.inf if event.what == "fitted" else removed
        elif event.what == "seen fitted" or event.hours - removed <= SAME_REMOVAL_H:
            continue
        elif event.what == "good":
            headless |= start is None
            good = event.hours
        else:
            if start is None:
                headless = True
            elif event.what == "failed" and event.hours > start:
                low = max(good, event.good if event.good is not None else start)
                lives.append(Life(min(low, event.hours) - start, event.hours - start))
            elif event.hours > start:
                lives.append(Life(event.hours - start, None))
            start = good = removed = event.hours  # its place is taken by the next part
    if start is not None and good > start:
        lives.append(Life(good - start, None))
    return lives, headless


def inspected(session: Session, backs: Iterable[Back], asked: Asked) -> Population | None:
    """Lives at the machines on record; None where no visit and no return tells of one.

    Inspections tell neither part number nor lot: where one is asked for, there is no such population.
    """
    at_machine: dict[str, list[Back]] = defaultdict(list)
    for back in backs:
        if back.machine_id is not None and back.age_h is not None:
            at_machine[back.machine_id].append(back)
    if asked.part_number or asked.lot:
        return None
    lives: list[Life] = []
    headless = replaced = 0
    for machine, grades, photo_at in _machines(session, asked):
        events = [event for hours, grade in grades if (event := _event(hours, grade)) is not None]
        total = sorted(machine.meter, key=lambda one: one.at)
        if photo_at is not None and total:
            events.append(Event(_hours_at(machine, photo_at), "seen fitted"))
        if any(one.reason for one in total):  # its readings are no running hours
            replaced += len(at_machine.get(machine.id, ()))
        else:
            events.extend(event for back in at_machine.get(machine.id, ()) for event in _events(back, asked))
        found, is_headless = lives_of(events)
        lives.extend(found)
        headless += is_headless
    if not lives:
        return None
    whole = list(map(_whole, lives))
    failed = sum(one.failed for one in whole)
    notes = list(_notes(headless, replaced, asked))
    return Population("h", {("", ""): Group(tuple(whole), len(whole), failed)}, tuple(notes))


def _whole(life: Life) -> Life:
    """In whole hours; what failed at 0 failed within the first half."""
    low, high = round(life.low), None if life.high is None else round(life.high)
    return Life(0.5, 0.5, life.count) if high == 0 else Life(low, high, life.count)


def _notes(headless: int, replaced: int, asked: Asked) -> Iterable[str]:
    yield "Lives are those at inspected machines; machines that nobody inspects may fare otherwise."
    if asked.cause:
        yield "Inspections name no class of cause: parts that a visit replaced for wear count whatever the cause."
    if headless:
        yield f"At {headless} machines a part was seen whose fitting is not on record; its life is left out."
    if replaced:
        yield f"{replaced} returns are left out: the hour meter of their machine was replaced."


def _machines(
    session: Session, asked: Asked
) -> Iterable[tuple[Machine, list[tuple[float, GradeRow]], datetime | None]]:
    """Machines by batch, each with its grades of the part at running hours, and when the part was photographed new."""
    last = ""
    while True:
        query = select(Machine).where(Machine.id > last).order_by(Machine.id).limit(BATCH)
        batch = session.scalars(query.options(selectinload(Machine.meter))).all()
        if not batch:
            return
        last = batch[-1].id
        ids = [one.id for one in batch]
        rows = session.execute(
            select(Inspection.machine_id, Inspection.begun_at, GradeRow)
            .join(GradeRow, GradeRow.inspection_id == Inspection.id)
            .where(Inspection.machine_id.in_(ids), GradeRow.part == asked.part)
            .order_by(Inspection.begun_at, GradeRow.created_at, GradeRow.id)
        )
        grades: dict[str, list[tuple[datetime, GradeRow]]] = defaultdict(list)
        for machine_id, begun_at, grade in rows:
            if begun_at.date() <= asked.as_of:
                grades[machine_id].append((begun_at, grade))
        new = select(InstalledPhoto.machine_id, InstalledPhoto.kept_at)
        new = new.where(InstalledPhoto.machine_id.in_(ids), InstalledPhoto.part == asked.part)
        photographed: dict[str, datetime] = {row.machine_id: row.kept_at for row in session.execute(new)}
        for machine in batch:
            run = machines.running(machine)
            placed = [
                (run[grade.inspection_id], grade) for _, grade in grades[machine.id] if grade.inspection_id in run
            ]
            yield machine, placed, photographed.get(machine.id)


def _hours_at(machine: Machine, at: datetime) -> float:
    """Running hours at a moment, on the straight line between the readings around it."""
    rows = sorted(machine.meter, key=lambda one: one.at)
    run = running_hours([Read(one.at, one.hours, one.reason) for one in rows])
    return float(np.interp(at.timestamp(), [one.at.timestamp() for one in rows], run))


def _event(hours: float, grade: GradeRow) -> Event | None:
    """What a visit found; None where it could not tell."""
    done = (grade.outcome or {}).get("done", "")
    held = grading.holds(grade)
    if done == "replaced":
        return Event(hours, "failed" if held in (None, "replace") else "taken out")
    if done or held == "serviceable":  # refitted, cleaned and refitted: it ran on
        return Event(hours, "good")
    return None


def _events(back: Back, asked: Asked) -> Sequence[Event]:
    began, ended = back.hours_installed, back.hours_failed
    if began is None or ended is None:
        return ()
    what: What = "failed" if asked.counts(back.cause) else "taken out"
    return Event(began, "fitted"), Event(ended, what, ended if back.good_h is None else back.hours_last_good)
