"""``/examples`` and ``/labels``: photos to label, what is said of them, and what is asked."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Path, Query, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.labels.label import Label
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.routes.example_schemas import (
    CountsPublic,
    DifferencePublic,
    ExamplePage,
    ExamplePublic,
    LabelCreate,
    LabelPublic,
    LabelSaved,
    LeaveOut,
    MeasureAsk,
    MeasuredPublic,
    NextPublic,
    TakenIn,
)
from wearvision_api.routes.schemas import UUID_FORM, Cursor, Limit, sent
from wearvision_api.store.paging import page
from wearvision_api.store.teaching_tables import ExampleRow, LabelRow
from wearvision_api.teaching import examples, handing, labelling, opinions, permission, shown
from wearvision_api.teaching.counting import counts

router = APIRouter(prefix="/examples", tags=["teaching"])
ExampleId = Annotated[str, Path(pattern=UUID_FORM)]
Reader = Annotated[Caller, needs("teaching:read")]
Labeller = Annotated[Caller, needs("labels:write")]
Teacher = Annotated[Caller, needs("teaching:write")]
WHILE_LABELLING = 2
"""Opinions that are made up for while somebody looks at the example that they were handed."""
NOTHING_WAITS = "No example waits for a label of yours. Take photos in, or let a second person label."


def label_public(row: LabelRow) -> LabelPublic:
    """A label as it is sent."""
    return LabelPublic(
        id=row.id,
        created_at=row.created_at,
        by=row.owner.name,
        turn=row.turn,
        body=row.body,
        measured=row.measured,
        seconds=row.seconds,
        withdrawn_at=row.withdrawn_at,
    )


def public(house: House, session: Session, who: Caller, row: ExampleRow) -> ExamplePublic:
    """An example as it is sent to one caller."""
    seen = shown.shown_to(house, session, who, row)
    return ExamplePublic(
        id=row.id,
        created_at=row.created_at,
        photo=row.photo_id,
        sha256=row.sha256,
        width=row.photo.width,
        height=row.photo.height,
        source=row.source,
        state=seen.state,  # type: ignore[arg-type]  # pydantic checks it
        asks=seen.asks,
        own=label_public(seen.own) if seen.own is not None else None,
        labels=[label_public(one) for one in seen.labels],
        differences=[DifferencePublic(field=one.field, one=one.one, other=one.other) for one in seen.differences],
        doubt=seen.doubt.says | {"quality": seen.doubt.quality} if seen.doubt is not None else None,
        opinion=row.opinion if seen.sees_opinion else None,
        truth=row.truth if seen.is_open else None,
        teaches=row.teaches if seen.is_open else None,
        machine=row.machine if seen.is_open else None,
        split=row.split if seen.is_open else None,
        left_out=row.left_out,
        version=row.version,
    )


@router.get("", response_model=ExamplePage, summary="Examples, newest first")
def listed(
    house: HouseDep,
    session: SessionDep,
    who: Reader,
    cursor: Cursor = "",
    limit: Limit = 50,
    state: Annotated[str, Query(max_length=12, description="Of one state only; third, again, settled, left out.")] = "",
) -> ExamplePage:
    """A page of examples, each as far as the caller may see it."""
    query = select(ExampleRow)
    if state:
        query = query.where(ExampleRow.state == state)
    rows, following = page(session, query, ExampleRow, cursor, limit)
    return ExamplePage(items=[public(house, session, who, row) for row in rows], next=following)


@router.post("", status_code=201, response_model=TakenIn, summary="Take in all photos with permission")
def take_in(house: HouseDep, session: SessionDep, once: OnceDep, later: BackgroundTasks, who: Teacher) -> Response:
    """Makes examples of the photos of grades, inspections and returns that have permission and are none yet."""

    def make() -> dict[str, Any]:
        rows = examples.take_in(house, session, who)
        return TakenIn(added=len(rows), examples=[row.id for row in rows]).plain()

    later.add_task(opinions.fill, house)
    return sent(once.reply("all", make))


@router.get("/counts", response_model=CountsPublic, summary="How far teaching has come")
def counted(session: SessionDep, who: Reader) -> CountsPublic:
    """Examples by state, settled ones by part and grade and by split."""
    return CountsPublic.model_validate(asdict(counts(session)))


@router.get("/next", response_model=NextPublic, summary="What to label next")
def following(house: HouseDep, later: BackgroundTasks, who: Labeller) -> NextPublic:
    """The most urgent example that the caller has not labelled, or by lot one in five; it is kept for them meanwhile.

    Asked again before it is labelled, it is the same one.
    """
    with house.session() as session:  # a transaction that writes: the example is held for the caller
        row = handing.next_for(session, who)
        waiting = handing.waiting_for(session, who)
        session.commit()
        found = public(house, session, who, row) if row is not None else None
    later.add_task(opinions.fill, house, WHILE_LABELLING)
    return NextPublic(example=found, waiting=waiting, say="" if found is not None else NOTHING_WAITS)


@router.get("/{example_id}", response_model=ExamplePublic, summary="One example")
def read(house: HouseDep, session: SessionDep, example_id: ExampleId, who: Reader) -> ExamplePublic:
    """An example as far as the caller may see it."""
    return public(house, session, who, examples.find(session, example_id))


@router.post("/{example_id}/hold", response_model=ExamplePublic, summary="Keep an example for oneself")
def hold(house: HouseDep, session: SessionDep, example_id: ExampleId, who: Labeller) -> ExamplePublic:
    """Keeps it for a quarter of an hour, so that nobody else is handed it; ask again to keep it for longer."""
    row = examples.find(session, example_id, to_change=True)
    handing.hold_for(session, who, row)
    session.commit()
    return public(house, session, who, row)


@router.post("/{example_id}/measure", response_model=MeasuredPublic, summary="What marks come to")
def measure(
    house: HouseDep, session: SessionDep, example_id: ExampleId, body: MeasureAsk, who: Labeller
) -> MeasuredPublic:
    """Measures the marks, areas and matches of a label that is being made; nothing is kept."""
    row = examples.find(session, example_id)
    photo = row.photo
    session.commit()  # lets others write while the photo is looked at
    label = Label.read(body.body, house.grader.limits)
    return MeasuredPublic(measured=labelling.measure(house, photo, label))


@router.post("/{example_id}/labels", status_code=201, response_model=LabelSaved, summary="Save a label")
def save(
    house: HouseDep, session: SessionDep, once: OnceDep, example_id: ExampleId, body: LabelCreate, who: Labeller
) -> Response:
    """Keeps what the caller says, for good, and answers with the model's opinion beside it."""

    def make() -> dict[str, Any]:
        row = examples.find(session, example_id)
        label = labelling.save_label(house, session, who, row, body.body, body.seconds, body.id)
        example = examples.find(session, example_id)
        opinion = example.opinion
        return LabelSaved(
            label=label_public(label), opinion=opinion, example=public(house, session, who, example)
        ).plain()

    return sent(once.reply(body.model_dump_json(), make))


@router.delete("/{example_id}/labels", response_model=LabelSaved, summary="Take back the own newest label")
def take_back(house: HouseDep, session: SessionDep, example_id: ExampleId, who: Labeller) -> LabelSaved:
    """Undoes a label; it stays on record as taken back, and comes along to be put right."""
    row = examples.find(session, example_id, to_change=True)
    label = labelling.take_back(house, session, who, row)
    session.commit()
    return LabelSaved(label=label_public(label), opinion=None, example=public(house, session, who, row))


@router.post("/{example_id}/leave-out", response_model=ExamplePublic, summary="Leave an example out")
def leave_out(
    house: HouseDep, session: SessionDep, example_id: ExampleId, body: LeaveOut, who: Labeller
) -> ExamplePublic:
    """Takes it out of the queue and of future sets, with the reason; its labels stay on record."""
    row = examples.find(session, example_id, to_change=True)
    examples.leave_out(session, who, row, body.reason)
    session.commit()
    return public(house, session, who, row)


@router.post("/{example_id}/put-back", response_model=ExamplePublic, summary="Put an example back")
def put_back(house: HouseDep, session: SessionDep, example_id: ExampleId, who: Teacher) -> ExamplePublic:
    """Takes it in again that was left out; its labels count again."""
    row = examples.find(session, example_id, to_change=True)
    permission.put_back(house, session, who, row)
    session.commit()
    return public(house, session, who, row)
