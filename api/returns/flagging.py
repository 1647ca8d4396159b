"""Puts what somebody must look at on a return and on record."""

from __future__ import annotations

from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.honesty.check import Suspicion
from wearvision_api.record.ledger import append
from wearvision_api.store.return_tables import Flag, ReturnPhoto, ReturnRow
from wearvision_api.store.tables import new_id


def flag(session: Session, who: Caller, row: ReturnRow, photo: ReturnPhoto | None, found: Suspicion) -> Flag:
    """Raises a flag; the caller commits.

    Args:
        session: Of a writing transaction.
        who: At whose step it came up.
        row: The return.
        photo: The photo that it is about; None: the claim itself.
        found: What somebody must look at.
    """
    made = Flag(
        id=new_id(),
        return_id=row.id,
        kind=found.kind,
        return_photo_id=photo.id if photo else None,
        other_photo_id=found.other.id if found.other else None,
        other_return_id=found.other.return_id if found.other else None,
        reason=found.reason,
    )
    session.add(made)
    append(
        session,
        who.name,
        "flagged",
        "return",
        row.id,
        after={"flag": made.id, "kind": made.kind, "reason": made.reason, "other": made.other_return_id},
        photos=[one.sha256 for one in (photo, found.other) if one is not None],
    )
    return made
