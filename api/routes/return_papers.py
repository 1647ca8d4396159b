"""``/returns/…``: the papers of a return, the evidence sheet and the decision letter."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Path, Response

from wearvision.photo import read_photo
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.returns.evidence_pdf import evidence_pdf
from wearvision_api.returns.evidence_sheet import evidence_of
from wearvision_api.returns.intake import find
from wearvision_api.returns.letter import letter_of
from wearvision_api.returns.letter_pdf import letter_pdf, letter_text
from wearvision_api.routes.downloads import download
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.services.photos import jpeg

router = APIRouter(prefix="/returns", tags=["returns"])
ReturnId = Annotated[str, Path(pattern=UUID_FORM)]
Reader = Annotated[Caller, needs("returns:read")]
PHOTO_PX = 700
"""Long side of a photo on the sheet: 350 pixels an inch at its 50 mm."""


@router.get(
    "/{return_id}/sheet.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
    summary="The evidence sheet",
)
def sheet(house: HouseDep, session: SessionDep, return_id: ReturnId, who: Reader) -> Response:
    """All that a decision rests on: claim, findings, proposal, decision, readings, flags, photos with hashes, record.

    The same return gives the same bytes, apart from when and by which version it was printed and the record's head
    then.
    """
    found = evidence_of(house, session, find(session, return_id))
    session.rollback()  # holds nothing while the photos are read
    data = evidence_pdf(found, partial(small_photo, house), partial(picture_bytes, house))
    return download(data, "application/pdf", f"return-{found.number}.pdf")


@router.get(
    "/{return_id}/letter.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
    summary="The decision letter",
)
def letter(house: HouseDep, session: SessionDep, return_id: ReturnId, who: Reader) -> Response:
    """What was decided and why, in plain words; marked as a draft until it is final."""
    written = letter_of(house.settings, find(session, return_id))
    return download(letter_pdf(written), "application/pdf", f"letter-{written.number}.pdf")


@router.get(
    "/{return_id}/letter.txt",
    response_class=Response,
    responses={200: {"content": {"text/plain": {}}}},
    summary="The decision letter as text",
)
def letter_as_text(house: HouseDep, session: SessionDep, return_id: ReturnId, who: Reader) -> Response:
    """The same letter for a message."""
    written = letter_of(house.settings, find(session, return_id))
    return download(letter_text(written).encode(), "text/plain; charset=utf-8", f"letter-{written.number}.txt")


def small_photo(house: House, digest: str) -> bytes | None:
    """A photo small and upright, without what its file says of place and camera; None where its bytes are gone."""
    data = picture_bytes(house, digest)
    return None if data is None else jpeg(read_photo(data, working_px=PHOTO_PX).image)


def picture_bytes(house: House, digest: str) -> bytes | None:
    """What lies under a hash; None where it is gone."""
    try:
        return house.blobs.get(digest)
    except FileNotFoundError:
        return None
