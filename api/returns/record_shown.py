"""A return's own steps in the record, as its sheet shows them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.store.record_tables import LogRow

DECIDING = ("decided", "signed", "not agreed")
"""Steps whose digest stands in full: each seals all that went before it."""

TELLING = ("view", "check", "item", "outcome", "kind", "says")


@dataclass(frozen=True, slots=True)
class RecordEntry:
    """One step.

    Attributes:
        place: In the chain of the whole service.
        at: When, to the second, UTC.
        who: Account name.
        what: The step, with what it was about.
        digest: Head of the chain with this step, hex.
        decides: Whether the step made or signed a decision.
    """

    place: int
    at: str
    who: str
    what: str
    digest: str
    decides: bool


def entries_of(session: Session, return_id: str) -> tuple[RecordEntry, ...]:
    """The steps of one return in order."""
    query = select(LogRow).where(LogRow.kind == "return", LogRow.subject == return_id).order_by(LogRow.place)
    return tuple(
        RecordEntry(
            place=row.place,
            at=row.at[:19].replace("T", " "),
            who=row.who,
            what=_words(row.what, json.loads(row.entry)),
            digest=row.digest,
            decides=row.what in DECIDING,
        )
        for row in session.scalars(query)
    )


def _words(what: str, entry: Mapping[str, Any]) -> str:
    """The step with the one thing that tells it from others of its kind."""
    before, after = entry["before"] or {}, entry["after"] or {}
    if what == "changed":
        return f"changed: {', '.join(name.replace('_', ' ') for name in after)}"
    told = next((str(side[name]) for name in TELLING for side in (after, before) if side.get(name)), "")
    return f"{what}: {told}" if told else what
