"""Photos that rightly look alike: views of one return, a machine's plate, its photo as installed."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.store.return_tables import ReturnPhoto, ReturnRow
from wearvision_api.store.tables import InstalledPhoto, PhotoRow

ASIDE = "aside"
"""View of photos that were put to the wrong place and count no longer."""
PLATE, METER = "plate", "hour-meter"


def own_references(session: Session, claim: ReturnRow) -> frozenset[str]:
    """SHA-256 of the photos *as installed* of the claim's own machine."""
    if claim.machine_id is None:
        return frozenset()
    query = (
        select(PhotoRow.sha256)
        .join(InstalledPhoto, InstalledPhoto.photo_id == PhotoRow.id)
        .where(InstalledPhoto.machine_id == claim.machine_id)
    )
    return frozenset(session.scalars(query))


def expected(
    claim: ReturnRow, photo: ReturnPhoto, other: ReturnRow, other_photo: ReturnPhoto, references: frozenset[str]
) -> bool:
    """Whether a photo may well be the same as one of another return.

    Args:
        claim: The return.
        photo: Its photo.
        other: The other return; the same return counts as expected.
        other_photo: Its photo.
        references: As ``own_references`` gives them.
    """
    if claim.id == other.id or ASIDE in (photo.view, other_photo.view):
        return True
    if not _one_machine(claim, other):
        return False
    if photo.sha256 in references or other_photo.sha256 in references:
        return True
    if photo.view != other_photo.view:
        return False
    # Several parts of a machine may come back together: one photo of its plate and meter serves them all.
    return photo.view == PLATE or (
        photo.view == METER and claim.hours_failed is not None and claim.hours_failed == other.hours_failed
    )


def _one_machine(claim: ReturnRow, other: ReturnRow) -> bool:
    if claim.machine_id is not None and claim.machine_id == other.machine_id:
        return True
    name = claim.machine.strip().casefold()
    return bool(name) and name == other.machine.strip().casefold()
