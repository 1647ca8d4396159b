"""The page of doubted labels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from wearvision.parts import PARTS
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.pages.forms import seen
from wearvision_api.pages.view import show
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.store.teaching_tables import DoubtRow, ExampleRow
from wearvision_api.teaching import doubts
from wearvision_api.teaching.doubts import Found

router = APIRouter(prefix="/teaching/doubts", include_in_schema=False)
Told = Annotated[str, Query(max_length=1500)]
MOST = 50
"""Doubts on one page; the next ones come when these are answered."""


@dataclass(frozen=True, slots=True)
class DoubtView:
    """A doubted example.

    Attributes:
        example: Its id.
        picture: Address of the photo.
        title: Part and machine.
        grade: As it is settled.
        rank: What that rests on.
        against: What speaks against it, in sentences.
    """

    example: str
    picture: str
    title: str
    grade: str
    rank: str
    against: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DoubtsContext:
    """The page of doubted labels: doubts shown, how many there are in all, what the search just now came to."""

    doubts: tuple[DoubtView, ...]
    count: int
    told: str


RANKS = {
    "one": "what one person said",
    "agreed": "what people agree on",
    "third": "what a third person decided",
    "pair": "photos before and after wiping",
    "reading": "a hand check's reading",
}


@router.get("")
def doubts_page(
    request: Request, session: SessionDep, who: Annotated[Caller, needs("teaching:read")], told: Told = ""
) -> Response:
    """Doubted labels, each to be looked at again or to be kept."""
    found = doubts.open_doubts(session)
    views = tuple(view(doubt, row) for doubt, row in found[:MOST])
    return show(request, who, "teaching_doubts.html", DoubtsContext(views, len(found), told))


@router.post("/search")
def search(house: HouseDep, who: Annotated[Caller, needs("teaching:write")]) -> RedirectResponse:
    """Looks for doubtful labels, for a while."""
    found = doubts.find(house, who, seconds=doubts.SECONDS)
    return seen(f"/teaching/doubts?{urlencode({'told': summary(found)})}#search")


@router.post("/{example_id}/stands")
def stand(
    session: SessionDep,
    example_id: Annotated[str, Path(pattern=UUID_FORM)],
    who: Annotated[Caller, needs("labels:write")],
) -> RedirectResponse:
    """The label stands."""
    doubts.stands(session, who, example_id)
    session.commit()
    return seen("/teaching/doubts")


def summary(found: Found) -> str:
    """What a search came to, in sentences."""
    if found.left:
        return f"Not done yet: {found.left} photos are still to be looked at. Look on; what was looked at is kept."
    words = [f"{len(found.doubts)} labels are doubted anew."]
    for one in found.parts:
        title = PARTS[one.part].title.capitalize()
        words.append(f"{title}: {one.doubted} of {one.of} grades doubted.")
        words += [f"Not looked at: {remark}." for remark in one.remarks]
    if found.unreadable:
        words.append(f"{len(found.unreadable)} photos cannot be read.")
    return " ".join(words)[:1500]


def view(doubt: DoubtRow, row: ExampleRow) -> DoubtView:
    """A doubt as it is shown."""
    truth = row.truth or {}
    chances = sorted(doubt.says["probabilities"].items(), key=lambda pair: -pair[1])
    words = [
        "A small model taught on the other photos finds "
        + ", ".join(f"{grade} {chance:.0%}" for grade, chance in chances)
        + "."
    ]
    opinion = doubt.says["opinion"]
    if opinion is not None:
        possible = ", ".join(opinion["possible_grades"])
        words.append(f"The model in use ({opinion['model']}), not taught with this photo, holds possible: {possible}.")
    return DoubtView(
        example=row.id,
        picture=f"/api/v1/photos/{row.photo_id}/content?width=720",
        title=f"{PARTS[truth['part']].title.capitalize()}{f', {row.machine}' if row.machine else ''}",
        grade=truth["grade"],
        rank=RANKS[truth["rank"]],
        against=tuple(words),
    )
