"""Forms of a return's evidence: photos one by one or several at once, grading, readings at the counter, flags."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from typing import Annotated

from fastapi import APIRouter, File, Form, Path, Request, Response, UploadFile
from fastapi.responses import RedirectResponse

from wearvision.errors import ReadingError
from wearvision.standard.counter import counter_check
from wearvision.standard.views import wanted_views
from wearvision_api.deps import HouseDep, SessionDep
from wearvision_api.pages.forms import read, seen
from wearvision_api.pages.return_evidence_contexts import open_views
from wearvision_api.pages.return_reading_contexts import CounterMistake, entered
from wearvision_api.pages.returns import Field, ReturnId, Typed, Writer, act, page_of
from wearvision_api.problems import Problem
from wearvision_api.returns import evidence, intake
from wearvision_api.returns.weighing import reckon
from wearvision_api.routes.return_schemas import CounterReadingCreate, Reason, SettleCreate
from wearvision_api.routes.schemas import UUID_FORM, Body, RecordId
from wearvision_api.services import photos
from wearvision_api.store.once import Once
from wearvision_api.store.return_tables import ReturnRow

router = APIRouter(prefix="/returns", include_in_schema=False)
Files = Annotated[list[UploadFile], File(default_factory=list)]
Words = Annotated[list[str], Form(default_factory=list)]
EvidenceId = Annotated[str, Path(pattern=UUID_FORM)]


class Settled(Body):
    """Flags that are settled with one sentence."""

    flags: list[RecordId]
    text: Reason


def views_for(row: ReturnRow, named: Sequence[str], count: int) -> list[str]:
    """The view of each of several photos: as named, or else the next that has none.

    Args:
        row: The return.
        named: By photo; empty for those that take the next one.
        count: How many photos there are.

    Raises:
        Problem: there are more photos than views that still want one.
    """
    asked = [*named[:count], *[""] * (count - len(named))]
    free = [one.key for one in open_views(row) if one.key not in asked]
    if asked.count("") > len(free):
        raise Problem(
            "invalid", f"{count} photos were chosen, but only {len(free)} views want one; put them in one by one."
        )
    return [key or free.pop(0) for key in asked]


@router.post("/{return_id}/photos")
def add_photos(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Writer,
    file: Files,
    view: Words,
    grade: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Puts one or more photos to the wanted views, and grades them if that was asked for."""
    # A form without a file sends an empty one without a name; an empty one with a name must not be passed over.
    sent = [data for one in file if (data := photos.received(house, one.file)) or one.filename]
    if not sent:
        raise Problem("invalid", "Take or choose a photo first.")
    row = intake.find(session, return_id)
    intake.demand_open(row)
    views = views_for(row, view, len(sent))
    kept = Once(session, who.id, f"form {fresh}" if fresh else "", f"POST /returns/{return_id}/photos")
    material = " ".join([*(sha256(data).hexdigest() for data in sent), *view])
    if kept.stored(material) is None:
        session.commit()  # lets other writers in while the photos are read and brought to disk
        shots = [evidence.shot_of(house, data) for data in sent]

        def make() -> dict[str, str]:
            held = intake.find(session, return_id, to_change=True)
            for shot, key in zip(shots, views, strict=True):
                evidence.add_photo(house, session, who, held, shot, key)
            reckon(house, session, held)
            return {"id": return_id}

        kept.reply(material, make)
    # The same form sent again grades what it could not the first time, when all hands were busy.
    graded = {one.key for one in wanted_views(row.part) if one.graded and not one.cleaned}
    if grade == "yes" and row.grade_id is None and graded & {*views, *(one.view for one in row.photos)}:
        reckon(house, session, evidence.grade(house, session, who, return_id))
        session.commit()
        return seen(f"/returns/{return_id}#grade")
    return seen(f"/returns/{return_id}#{'photos' if len(sent) > 1 else f'view-{views[0]}'}")


@router.post("/{return_id}/photos/{evidence_id}/aside")
def set_aside(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    evidence_id: EvidenceId,
    who: Writer,
    reason: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Takes a photo out of what counts; it stays on record."""
    body = read(SettleCreate, {"text": reason})
    return act(
        house,
        session,
        who,
        return_id,
        "photos",
        fresh,
        body,
        lambda row: evidence.set_aside(session, who, row, evidence_id, body.text),
    )


@router.post("/{return_id}/grade")
def grade_photos(house: HouseDep, session: SessionDep, return_id: ReturnId, who: Writer) -> RedirectResponse:
    """Grades the photos that count."""
    reckon(house, session, evidence.grade(house, session, who, return_id))
    session.commit()
    return seen(f"/returns/{return_id}#grade")


@router.post("/{return_id}/readings")
def add_reading(
    request: Request, house: HouseDep, session: SessionDep, return_id: ReturnId, who: Writer, typed: Typed
) -> Response:
    """Takes a reading at the counter."""
    row = intake.find(session, return_id)
    key = typed.get("check", "")
    try:
        values = entered(counter_check(key, row.part), typed)
        if not values:
            raise ReadingError("Enter what you read.")
        body = read(CounterReadingCreate, {"check": key, "values": values})
        return act(
            house,
            session,
            who,
            return_id,
            f"check-{key}",
            typed.get("fresh", ""),
            body,
            lambda held: evidence.read_off(house, session, who, held, key, body.values),
        )
    except (ReadingError, Problem) as error:
        if isinstance(error, Problem) and error.code != "invalid":
            raise
        session.rollback()
        mistake = CounterMistake(key, typed, str(error).removeprefix(f"{key}: "))
        return page_of(request, house, session, who, intake.find(session, return_id), mistake=mistake)


@router.post("/{return_id}/flags")
def settle(
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    who: Writer,
    flag: Words,
    text: Field = "",
    fresh: Field = "",
) -> RedirectResponse:
    """Says what looking at one or more flags came to."""
    if not flag:
        raise Problem("invalid", "Tick what you have looked at.")
    body = read(Settled, {"flags": " ".join(flag).split(), "text": text})

    def make(row: ReturnRow) -> None:
        for one in dict.fromkeys(body.flags):
            evidence.settle_flag(session, who, row, one, body.text)

    return act(house, session, who, return_id, "flags", fresh, body, make)
