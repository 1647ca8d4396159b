"""``/record``: the log of every step and its signed head; ``/photos/…/erasure``: takes a photo out of the service."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.problems import Problem
from wearvision_api.record import erase, ledger, tombstones
from wearvision_api.record.heads import sign
from wearvision_api.routes.record_schemas import EntryPage, EntryPublic, ErasureCreate, HeadPublic, TombstonePublic
from wearvision_api.routes.schemas import UUID_FORM, Limit, sent
from wearvision_api.store.record_tables import LogRow
from wearvision_api.teaching.seen import seen_by

router = APIRouter(tags=["record"])
MOST_ENTRIES = 2**31 - 1
"""Places are whole numbers of 32 bits."""


def public(row: LogRow) -> EntryPublic:
    """An entry as it is sent. Raises Problem where it was damaged."""
    try:
        said = json.loads(row.entry)
        names = ("place", "at", "who", "what", "kind", "subject", "before", "after", "photos")
        members = {name: said[name] for name in names}
        return EntryPublic(**members, entry=row.entry, previous=row.previous, digest=row.digest)
    except (ValueError, KeyError, TypeError) as error:
        raise Problem("conflict", f"Entry {row.place} was damaged; run 'wearvision verify'.") from error


@router.get("/record", response_model=EntryPage, summary="The record, oldest first")
def listed(
    session: SessionDep,
    who: Annotated[Caller, needs("record:read")],
    subject: Annotated[str, Query(max_length=80, pattern=r"^[^\x00]*$", description="Id; of all if none.")] = "",
    after: Annotated[int, Query(ge=0, le=MOST_ENTRIES, description="Place of the last entry that you have.")] = 0,
    limit: Limit = 50,
) -> EntryPage:
    """Every step in the order of the chain, with what was hashed, so that whoever reads it can check it."""
    rows = ledger.about(session, subject=subject, after=after, limit=limit + 1)
    items = [public(row) for row in rows[:limit]]
    return EntryPage(items=items, next=items[-1].place if len(rows) > limit else None)


@router.get("/record/head", response_model=HeadPublic, summary="Its end, signed")
def signed_head(house: HouseDep, session: SessionDep, who: Annotated[Caller, needs("record:read")]) -> HeadPublic:
    """Stands for all entries until now. Keep it elsewhere: a record that was cut or rewritten does not fit it."""
    return HeadPublic(**asdict(sign(ledger.head(session), house.key)))


@router.post("/photos/{photo_id}/erasure", status_code=201, response_model=TombstonePublic, summary="Erase a photo")
def erasure(
    house: HouseDep,
    once: OnceDep,
    session: SessionDep,
    photo_id: Annotated[str, Path(pattern=UUID_FORM)],
    body: ErasureCreate,
    who: Annotated[Caller, needs("photos:erase")],
) -> Response:
    """Its bytes and the pictures made of it are lost for good; its record stays, emptied, with a signed tombstone.

    Future data sets leave it out. The answer names the frozen sets that hold it and the models taught with it.

    Refused with 409 while a return that is not decided holds the photo.
    """

    def make() -> dict[str, Any]:
        row = erase.erase(session, house.key, who.name, photo_id, body.reason)
        said, seen = tombstones.read(row), seen_by(session, photo_id)
        return TombstonePublic(
            photo=said.photo,
            sha256=said.sha256,
            at=said.at,
            by=said.by,
            reason=said.reason,
            body=row.body,
            public_key=row.public_key,
            signature=row.signature,
            also=erase.same_bytes(session, photo_id),
            sets=list(seen.sets),
            models=list(seen.models),
        ).plain()

    answer = once.reply(body.model_dump_json(), make)
    with house.session(writes=False) as fresh:
        erase.remove_bytes(fresh, house.blobs, trainings=house.settings.data / "trainings")
    return sent(answer)
