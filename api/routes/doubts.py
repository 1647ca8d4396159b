"""``/doubts``: settled grades that a model taught without them strongly doubts."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Path

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.routes.doubt_schemas import DoubtList, DoubtPublic, DoubtsFound
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow
from wearvision_api.teaching import doubts

router = APIRouter(prefix="/doubts", tags=["teaching"])


def public(doubt: DoubtRow, row: ExampleRow) -> DoubtPublic:
    """A doubt as it is sent."""
    told: dict[str, Any] = {name: doubt.says[name] for name in ("label", "likelier", "probabilities", "opinion")}
    return DoubtPublic.model_validate(
        told
        | {
            "example": row.id,
            "photo": row.photo_id,
            "part": (row.truth or {}).get("part"),
            "found_at": doubt.found_at,
            "quality": doubt.quality,
            "shared": doubts.shared(doubt),
            "answered_at": doubt.answered_at,
        }
    )


@router.get("", response_model=DoubtList, summary="Doubted labels that nobody has answered")
def listed(session: SessionDep, who: Annotated[Caller, needs("teaching:read")]) -> DoubtList:
    """First those that the model in use doubts, too, then the least believed."""
    return DoubtList(items=[public(doubt, row) for doubt, row in doubts.open_doubts(session)])


@router.post("/search", response_model=DoubtsFound, summary="Look for doubtful labels")
def search(house: HouseDep, who: Annotated[Caller, needs("teaching:write")]) -> DoubtsFound:
    """Looks at photos for a while, then says how many are left; when none are, the search is made."""
    return DoubtsFound.model_validate(asdict(doubts.find(house, who, seconds=doubts.SECONDS)))


@router.post("/{example_id}/stands", response_model=DoubtPublic, summary="The label stands")
def stand(
    session: SessionDep,
    example_id: Annotated[str, Path(pattern=UUID_FORM)],
    who: Annotated[Caller, needs("labels:write")],
) -> DoubtPublic:
    """Answers a doubt: somebody looked again, and the label stands. It is not doubted again until it changes."""
    doubt = doubts.stands(session, who, example_id)
    session.commit()
    return public(doubt, session.get_one(ExampleRow, example_id))
