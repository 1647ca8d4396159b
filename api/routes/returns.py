"""``/returns``: claims, their evidence, what is found, what is decided."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, File, Form, Path, Query, Request, Response, UploadFile
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.returns import deciding, evidence, intake
from wearvision_api.returns.missing import missing_of
from wearvision_api.returns.weighing import reckon, weigh
from wearvision_api.routes import etags
from wearvision_api.routes.return_schemas import (
    CounterReadingCreate,
    CounterReadingPublic,
    DecideCreate,
    DecisionPublic,
    EvidencePublic,
    FlagPublic,
    Key,
    ObjectionCreate,
    ObjectionPublic,
    ReturnCreate,
    ReturnPage,
    ReturnPublic,
    ReturnUpdate,
    SettleCreate,
    SignCreate,
    WaiverCreate,
    WantedPublic,
    WeighedPublic,
)
from wearvision_api.routes.schemas import UUID_FORM, Body, Cursor, Limit, RecordId, sent
from wearvision_api.services import photos
from wearvision_api.store.once import Once
from wearvision_api.store.paging import page
from wearvision_api.store.return_tables import ReturnRow
from wearvision_api.teaching import permission

router = APIRouter(prefix="/returns", tags=["returns"])
ReturnId = Annotated[str, Path(pattern=UUID_FORM)]
Reader = Annotated[Caller, needs("returns:read")]
Writer = Annotated[Caller, needs("returns:write")]
Decider = Annotated[Caller, needs("returns:decide")]


def public(row: ReturnRow) -> ReturnPublic:
    """A return as it is sent."""
    return ReturnPublic(
        **{name: getattr(row, name) for name in intake.CLAIM_FIELDS},
        id=row.id,
        number=row.number,
        created_at=row.created_at,
        by=row.owner.name,
        state=row.state,  # type: ignore[arg-type]  # pydantic checks it
        doubt=row.doubt,
        grade=row.grade_id,
        closed_at=row.closed_at,
        photos=[
            EvidencePublic(
                id=one.id,
                photo=one.photo_id,
                sha256=one.sha256,
                view=one.view,
                tag=one.tag,
                created_at=one.created_at,
            )
            for one in row.photos
        ],
        readings=[
            CounterReadingPublic(
                id=one.id,
                check=one.check,
                values=one.values,
                finding=one.finding,
                by=one.owner.name,
                created_at=one.created_at,
            )
            for one in row.readings
        ],
        missing=[WantedPublic.model_validate(one) for one in missing_of(row)],
        flags=[
            FlagPublic(
                id=one.id,
                kind=one.kind,
                evidence=one.return_photo_id,
                other_evidence=one.other_photo_id,
                other_return=one.other_return_id,
                reason=one.reason,
                settled=one.settled,
                created_at=one.created_at,
            )
            for one in row.flags
        ],
        decisions=[
            DecisionPublic(
                id=one.id,
                attempt=one.attempt,
                proposal=one.proposal,
                outcome=one.outcome,  # type: ignore[arg-type]
                reason=one.reason,
                by=one.owner.name,
                at=one.created_at,
                needs_second=one.needs_second,
                standing=one.standing,  # type: ignore[arg-type]
                second=one.second.name if one.second else None,
                second_at=one.second_at,
                second_reason=one.second_reason,
            )
            for one in row.decisions
        ],
        objections=[
            ObjectionPublic(
                id=one.id,
                decision=one.decision_id,
                text=one.text,
                received_on=one.received_on,
                taken_at=one.taken_at,
            )
            for one in row.objections
        ],
    )


@router.post("", status_code=201, response_model=ReturnPublic, summary="Take a claim in")
def create(session: SessionDep, once: OnceDep, body: ReturnCreate, who: Writer) -> Response:
    """Gives the return its number; what is not known yet may follow."""
    said = body.model_dump(exclude={"id"}, exclude_none=True)
    answer = once.reply(body.model_dump_json(), lambda: public(intake.open_return(session, who, said, body.id)).plain())
    return sent(answer, f"/api/v1/returns/{answer.body['id']}")


@router.get("", response_model=ReturnPage, summary="Returns, newest first")
def listed(
    session: SessionDep,
    who: Reader,
    number: Annotated[str, Query(max_length=20, description="Of this number only.")] = "",
    cursor: Cursor = "",
    limit: Limit = 50,
) -> ReturnPage:
    """A page of returns."""
    query = select(ReturnRow)
    if number:
        query = query.where(ReturnRow.number == number)
    rows, following = page(session, query, ReturnRow, cursor, limit)
    return ReturnPage(items=[public(row) for row in rows], next=following)


@router.get("/{return_id}", response_model=ReturnPublic, summary="One return")
def read(request: Request, response: Response, session: SessionDep, return_id: ReturnId, who: Reader) -> object:
    """A return with its evidence, what is missing, flags and decisions."""
    row = intake.find(session, return_id)
    etag = etags.tag(row.id, row.version)
    if etags.unchanged(request, etag):
        return etags.not_modified(etag)
    response.headers["ETag"] = etag
    return public(row)


@router.get("/{return_id}/proposal", response_model=WeighedPublic, summary="What is found, and what is proposed")
def proposal(house: HouseDep, session: SessionDep, return_id: ReturnId, who: Reader) -> WeighedPublic:
    """Findings with the signs for and against each class of cause, and what the policy proposes. A person decides."""
    return WeighedPublic.model_validate(weigh(house, intake.find(session, return_id)).to_dict())


@router.patch("/{return_id}", response_model=ReturnPublic, summary="Correct a claim")
def change(
    request: Request,
    response: Response,
    house: HouseDep,
    session: SessionDep,
    return_id: ReturnId,
    body: ReturnUpdate,
    who: Writer,
) -> ReturnPublic:
    """Corrects what the claim says. Needs If-Match."""
    row = intake.find(session, return_id, to_change=True)
    etags.demand_match(request, etags.tag(row.id, row.version), required=True)
    permission.hold_examples(session, row)
    intake.change(session, who, row, intake.given(body.model_dump(exclude_unset=True)))
    permission.follow_return(house, session, who, row)
    evidence.ask_again(house, session, who, row)
    reckon(house, session, row)
    response.headers["ETag"] = etags.tag(row.id, row.version)
    changed = public(row)
    session.commit()
    return changed


def _answer(
    house: House, session: Session, once: Once, return_id: str, body: Body | str, act: Callable[[ReturnRow], object]
) -> Response:
    """Once for each key: acts on a return that is held, and answers with it."""

    def make() -> dict[str, Any]:
        row = intake.find(session, return_id, to_change=True)
        act(row)
        reckon(house, session, row)
        return public(row).plain()

    return sent(once.reply(body if isinstance(body, str) else body.model_dump_json(), make))


@router.post("/{return_id}/photos", status_code=201, response_model=ReturnPublic, summary="Add a photo")
def add_photo(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    return_id: ReturnId,
    file: Annotated[UploadFile, File(description="JPEG, PNG, WebP, TIFF, HEIC, GIF or BMP.")],
    view: Annotated[Key, Form(description="Key of the wanted view.")],
    who: Writer,
    id: Annotated[RecordId | None, Form(description="Chosen by the caller.")] = None,
) -> Response:
    """Keeps a photo, reads the return tag in it, and compares it with the photos of other returns."""
    data = photos.received(house, file.file)
    material = f"{hashlib.sha256(data).hexdigest()} {view} {id}"
    before = once.stored(material)
    if before is not None:
        return sent(before)
    session.commit()  # lets other writers in while the photo is read and brought to disk
    shot = evidence.shot_of(house, data)
    return _answer(
        house,
        session,
        once,
        return_id,
        material,
        lambda row: evidence.add_photo(house, session, who, row, shot, view, id),
    )


@router.post(
    "/{return_id}/photos/{evidence_id}/aside", status_code=201, response_model=ReturnPublic, summary="Set a photo aside"
)
def set_aside(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    return_id: ReturnId,
    evidence_id: Annotated[str, Path(pattern=UUID_FORM)],
    body: SettleCreate,
    who: Writer,
) -> Response:
    """The photo stays on record and counts no longer."""
    return _answer(
        house, session, once, return_id, body, lambda row: evidence.set_aside(session, who, row, evidence_id, body.text)
    )


@router.post("/{return_id}/grade", status_code=201, response_model=ReturnPublic, summary="Grade the photos")
def grade(house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, who: Writer) -> Response:
    """Grades the photos of the part as it came, and the one after wiping beside it."""
    before = once.stored("")
    if before is not None:
        return sent(before)
    evidence.grade(house, session, who, return_id)
    return _answer(house, session, once, return_id, "", lambda row: row)


@router.post("/{return_id}/readings", status_code=201, response_model=ReturnPublic, summary="Enter a reading")
def add_reading(
    house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, body: CounterReadingCreate, who: Writer
) -> Response:
    """Takes a reading at the counter."""
    return _answer(
        house,
        session,
        once,
        return_id,
        body,
        lambda row: evidence.read_off(house, session, who, row, body.check, body.values, body.id),
    )


@router.post("/{return_id}/waivers", status_code=201, response_model=ReturnPublic, summary="Do without something")
def waive(
    house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, body: WaiverCreate, who: Writer
) -> Response:
    """States why a decision can be made without something that is wanted."""
    return _answer(
        house, session, once, return_id, body, lambda row: evidence.waive(session, who, row, body.item, body.reason)
    )


@router.post(
    "/{return_id}/flags/{flag_id}/settle", status_code=201, response_model=ReturnPublic, summary="Look at a flag"
)
def settle(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    return_id: ReturnId,
    flag_id: Annotated[str, Path(pattern=UUID_FORM)],
    body: SettleCreate,
    who: Writer,
) -> Response:
    """Says what looking at a flag came to; the flag stays on record."""
    return _answer(
        house, session, once, return_id, body, lambda row: evidence.settle_flag(session, who, row, flag_id, body.text)
    )


@router.post("/{return_id}/decisions", status_code=201, response_model=ReturnPublic, summary="Decide")
def decide(
    house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, body: DecideCreate, who: Decider
) -> Response:
    """Records a person's decision beside the proposal; a second person signs where it is needed."""
    return _answer(
        house,
        session,
        once,
        return_id,
        body,
        lambda row: deciding.decide(house, session, who, row, body.outcome, body.reason),
    )


@router.post("/{return_id}/signatures", status_code=201, response_model=ReturnPublic, summary="Sign as second person")
def sign(
    house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, body: SignCreate, who: Decider
) -> Response:
    """Agrees with the waiting decision, or does not: then it is to be decided again."""
    return _answer(
        house,
        session,
        once,
        return_id,
        body,
        lambda row: deciding.sign(session, who, row, agrees=body.agrees, reason=body.reason),
    )


@router.post("/{return_id}/objections", status_code=201, response_model=ReturnPublic, summary="Record an objection")
def object_to(
    house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, body: ObjectionCreate, who: Writer
) -> Response:
    """The claimant does not agree with the decision."""
    return _answer(
        house,
        session,
        once,
        return_id,
        body,
        lambda row: deciding.object_to(session, who, row, body.text, body.received_on, body.id),
    )


@router.post("/{return_id}/hearing", status_code=201, response_model=ReturnPublic, summary="Hear an objection")
def take_up(house: HouseDep, session: SessionDep, once: OnceDep, return_id: ReturnId, who: Decider) -> Response:
    """Opens the return again; only for somebody who took no part in the decision."""
    return _answer(house, session, once, return_id, "", lambda row: deciding.take_up(session, who, row))
