"""Takes labels: first and second blind, a third where two differ, and again where one is doubted.

A label never changes. A correction is a new one of the same person, which then counts in place of the first; a label
taken back stays on record as taken back.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.labels.label import Label
from wearvision.labels.measuring import measured
from wearvision.photo import read_photo
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record.chain import canonical
from wearvision_api.record.ledger import append
from wearvision_api.services import photos
from wearvision_api.store.tables import PhotoRow, new_id, now
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow, LabelRow
from wearvision_api.teaching.examples import find
from wearvision_api.teaching.settling import outcome_dict, resettle, standing_labels

LONGEST_S = 86_400.0
"""A label that took longer was left open over night; its time is not kept."""


def save_label(
    house: House,
    session: Session,
    who: Caller,
    example: ExampleRow,
    body: Mapping[str, Any],
    seconds: float | None,
    record_id: str | None = None,
) -> LabelRow:
    """Keeps what somebody says of an example and settles it. The caller commits.

    The transaction is let go while marks are measured on the photo.

    Args:
        house: The running service.
        session: Of a writing transaction.
        who: Labels.
        example: Of which.
        body: A label in its JSON form.
        seconds: From the picture shown to the label saved; None if unknown.
        record_id: Chosen by the caller.

    Raises:
        wearvision.labels.label.LabelError: the body is no label; it names the field.
        Problem: the photo was erased, or this person's word is not what the example waits for.
    """
    label = Label.read(body, house.grader.limits)
    turn_for(example, _labels(session, example), who)  # before the work, and again once it is done
    session.commit()
    found = measure(house, example.photo, label)
    example = find(session, example.id, to_change=True)
    photos.demand_kept(session.get_one(PhotoRow, example.photo_id))
    before = _labels(session, example)
    turn = turn_for(example, before, who)
    is_timed = seconds is not None and math.isfinite(seconds) and 0 <= seconds <= LONGEST_S
    row = LabelRow(
        id=record_id or new_id(),
        owner_id=who.id,
        example_id=example.id,
        turn=turn,
        body=label.to_dict(),
        measured=found,
        seconds=seconds if is_timed else None,
        created_at=max([now(), *(one.created_at for one in before)]),
    )
    session.add(row)
    example.held_by, example.held_until = None, None
    example.version += 1
    if turn == 4 and (doubt := session.get(DoubtRow, example.id)) is not None:
        doubt.answered_at = now()
    session.flush()
    session.refresh(row)
    said = {"label": row.id, "turn": turn, "part": label.part, "fit": label.fit, "grade": label.grade}
    corrected = [one.id for one in before if one.owner_id == who.id and one.turn == turn]
    append(
        session,
        who.name,
        "labelled",
        "example",
        example.id,
        before={"label": corrected[-1]} if corrected else None,
        after=said | {"digest": digest_of(row.body)},  # the note may name somebody, so it is not copied
        photos=[example.sha256],
    )
    resettle(house, session, example, who.name)
    return row


def take_back(house: House, session: Session, who: Caller, example: ExampleRow) -> LabelRow:
    """Takes back somebody's newest own label; what it had replaced counts again. The caller commits.

    Raises:
        Problem: they have none here, or somebody has labelled the example after them.
    """
    standing = [one for one in _labels(session, example) if one.withdrawn_at is None]
    own = [one for one in standing if one.owner_id == who.id]
    if not own:
        raise Problem("not-found", "You have no label on this example.")
    row = own[-1]
    if standing[-1] is not row:
        raise Problem("conflict", "Somebody has labelled this example after you; say why in a correction of yours.")
    if example.state == "left out":
        raise Problem("conflict", "The example is left out; put it back first.")
    row.withdrawn_at = now()
    example.version += 1
    session.flush()
    append(
        session,
        who.name,
        "label taken back",
        "example",
        example.id,
        before={"label": row.id, "turn": row.turn, "digest": digest_of(row.body)},
        photos=[example.sha256],
    )
    resettle(house, session, example, who.name)
    return row


def turn_for(example: ExampleRow, labels: Sequence[LabelRow], who: Caller) -> int:
    """Which turn a label of somebody's would be.

    Args:
        example: Whose state counts.
        labels: All of its labels.
        who: Wants to label it.

    Raises:
        Problem: this person's word is not what the example waits for; it says why.
    """
    if example.state == "left out":
        raise Problem("conflict", "This example is left out; nothing is learned from it.")
    if example.state == "again":
        return 4
    standing = standing_labels(labels)
    own = [one for one in standing if one.owner_id == who.id]
    others = [one for one in standing if one.owner_id != who.id]
    if own and standing[-1].owner_id == who.id and example.state != "third":
        if others and own[-1].turn < 3:
            raise Problem("conflict", "Two people have labelled it and agree; a doubt brings it up again.")
        return own[-1].turn
    if example.state == "third":
        if own:
            raise Problem("conflict", "You and somebody else differ over this one: a third person decides.")
        return 3
    if own:
        raise Problem("conflict", "Somebody has labelled this example after you; it waits for nothing from you.")
    if example.state == "settled":
        raise Problem("conflict", "This example is settled, and what it settled as could be seen: no blind label now.")
    return 2 if others else 1


def measure(house: House, photo: PhotoRow, label: Label) -> dict[str, Any]:
    """What the marks, areas and matches of a label come to on its photo, by measure.

    Raises:
        Problem: the photo was erased.
    """
    if not (label.marks or label.regions or label.matches):
        return {}
    found = measured(label, upright(house, photo), house.grader.limits)
    return {name: outcome_dict(one) for name, one in found.items()}


def upright(house: House, photo: PhotoRow) -> NDArray[np.uint8]:
    """The photo on which marks are measured: RGB, upright, at working size.

    Raises:
        Problem: the photo was erased.
    """
    return read_photo(house.blobs.get(photos.demand_kept(photo).sha256)).image


def digest_of(body: Mapping[str, Any]) -> str:
    """SHA-256 of a label's canonical JSON, hex."""
    return hashlib.sha256(canonical(body)).hexdigest()


def _labels(session: Session, example: ExampleRow) -> list[LabelRow]:
    query = select(LabelRow).where(LabelRow.example_id == example.id)
    return list(session.scalars(query.order_by(LabelRow.created_at, LabelRow.id)))


__all__ = ["digest_of", "measure", "save_label", "take_back", "turn_for", "upright"]
