"""``/sets`` and ``/heaps``: frozen data sets, in and out; photos taken in as examples."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path as FilePath
from typing import Annotated, BinaryIO

from fastapi import APIRouter, BackgroundTasks, File, Form, Path, Response, UploadFile
from fastapi.responses import StreamingResponse
from sqlalchemy.orm import Session

from wearvision.labels.folder import read_folder
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import UUID_FORM, sent
from wearvision_api.routes.set_schemas import (
    FolderPublic,
    HeapPublic,
    LeftOut,
    SetCreate,
    SetList,
    SetPublic,
    TakenPublic,
)
from wearvision_api.store.tables import Account
from wearvision_api.store.teaching_tables import DataSetRow
from wearvision_api.teaching import opinions, set_archive, set_export, set_import, sets
from wearvision_api.teaching.heaps import Archive
from wearvision_api.teaching.seen import taught_with
from wearvision_api.teaching.take_examples import Taken, take_in
from wearvision_api.teaching_examples import MANIFEST

router = APIRouter(tags=["teaching"])
SetId = Annotated[str, Path(pattern=UUID_FORM)]
Reader = Annotated[Caller, needs("teaching:read")]
Teacher = Annotated[Caller, needs("teaching:write")]
Ground = Annotated[str, Form(max_length=500, description="On what ground the photos may be used to teach.")]


def public(session: Session, row: DataSetRow) -> SetPublic:
    """A set as it is sent."""
    return SetPublic(
        id=row.id,
        created_at=row.created_at,
        by=session.get_one(Account, row.owner_id).name,
        name=row.name,
        note=row.note,
        sha256=row.sha256,
        counts=row.counts,
        left_out=[
            LeftOut(sha256=name, why=why)  # type: ignore[arg-type]  # pydantic checks it
            for name, why in sorted(set_export.gone_of(session, row.id).items())
        ],
        models=list(taught_with(session, {row.id})),
    )


@router.get("/sets", response_model=SetList, summary="Data sets, newest first")
def listed(session: SessionDep, who: Reader) -> SetList:
    """All of them."""
    return SetList(items=[public(session, row) for row in sets.listed(session)])


@router.post("/sets", status_code=201, response_model=SetPublic, summary="Freeze a data set")
def freeze(house: HouseDep, session: SessionDep, once: OnceDep, body: SetCreate, who: Teacher) -> Response:
    """Freezes the settled examples that are chosen under a name. Nothing in it changes any more.

    Refused with 409 where photos of one part stand in several groups or splits; the answer names the examples.
    """
    return sent(
        once.reply(
            body.model_dump_json(),
            lambda: public(session, sets.freeze(house, session, who, body.name, body.note, choice_of(body))).plain(),
        )
    )


def choice_of(body: SetCreate) -> sets.Choice:
    """Which examples a request chooses. Raises Problem where its moment has no time zone."""
    if body.until is not None and body.until.tzinfo is None:
        raise Problem("invalid", "until: say the time zone, such as 2026-04-30T12:00:00Z.")
    return sets.Choice(tuple(body.parts), tuple(body.sources), body.least, body.until)


@router.post("/sets/folders", status_code=201, response_model=FolderPublic, summary="Take a labelled folder in")
def take_folder(
    house: HouseDep,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File(description="Zip archive of a labelled folder.")],
    ground: Ground,
    who: Teacher,
    name: Annotated[str, Form(max_length=80, description="Of the set; empty: the folder's own.")] = "",
    as_examples: Annotated[bool, Form(description="As settled examples instead of a set of its own.")] = False,
) -> FolderPublic:
    """As a frozen set it comes in whole or not at all; as examples photo by photo, and no photo twice."""
    made, taken = folder_in(house, who, file.file, ground, name, as_examples=as_examples)
    if taken is not None:
        later.add_task(opinions.fill, house)
    return FolderPublic(set=made, taken=heap_public(taken) if taken is not None else None)


def folder_in(
    house: House, who: Caller, file: BinaryIO, ground: str, name: str, *, as_examples: bool
) -> tuple[SetPublic | None, tuple[Taken, ...] | None]:
    """Unpacks an archive of a labelled folder and takes it in: a set, or what became of each photo."""
    with tempfile.TemporaryDirectory(dir=house.settings.data, prefix=".import-", ignore_cleanup_errors=True) as draft:
        found = read_folder(set_archive.unpack(file, FilePath(draft), house.settings.max_upload_mb * 2**20))
        if as_examples:
            return None, tuple(set_import.import_examples(house, who, found, ground))
        with house.session() as session:
            row = set_import.import_set(house, session, who, found, ground, name)
            made = public(session, row)
            session.commit()
        return made, None


@router.post("/heaps", status_code=201, response_model=HeapPublic, summary="Take photos in as examples")
def take_heap(
    house: HouseDep,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File(description="Zip archive of photos; those of one folder show one part.")],
    ground: Ground,
    who: Teacher,
    machine_from_folder_names: Annotated[bool, Form(description="Folders are named after machines.")] = False,
) -> HeapPublic:
    """Takes each photo in as an example to label, whole or not at all, and none twice."""
    heap = Archive(file.file, file.filename or "")
    taken = tuple(take_in(house, who, heap, ground, machine_from_folder=machine_from_folder_names, look=False))
    later.add_task(opinions.fill, house)
    return heap_public(taken)


def heap_public(taken: Iterable[Taken]) -> HeapPublic:
    """What became of many photos, as it is sent."""
    rows = [TakenPublic.model_validate(one) for one in taken]
    known = sum(bool(one.example) and not one.is_new for one in rows)
    return HeapPublic(
        new=sum(one.is_new for one in rows), known=known, faults=sum(bool(one.fault) for one in rows), rows=rows
    )


@router.get("/sets/{set_id}", response_model=SetPublic, summary="One data set")
def read(session: SessionDep, set_id: SetId, who: Reader) -> SetPublic:
    """A set with what was left out since and who learned from it."""
    return public(session, sets.find(session, set_id))


@router.get(
    "/sets/{set_id}/manifest",
    summary="The manifest",
    response_class=Response,
    responses={200: {"content": {"application/json": {"schema": {"type": "object"}, "example": MANIFEST}}}},
)
def manifest(house: HouseDep, session: SessionDep, set_id: SetId, who: Reader) -> Response:
    """The very bytes that were hashed: canonical JSON (RFC 8785)."""
    row = sets.find(session, set_id)
    headers = {"ETag": f'"{row.sha256}"', "Cache-Control": "private, no-cache", "X-Content-Type-Options": "nosniff"}
    return Response(house.blobs.get(row.sha256), media_type="application/json", headers=headers)


@router.get(
    "/sets/{set_id}/folder.zip",
    response_class=StreamingResponse,
    responses={200: {"content": {"application/zip": {}}}},
    summary="A data set as a zip archive",
)
def folder(house: HouseDep, session: SessionDep, set_id: SetId, who: Reader) -> StreamingResponse:
    """JSON lines, a table (CSV), photos without their place of taking, and masks as PNG; labels carry pseudonyms."""
    row = sets.find(session, set_id)
    headers = {
        "Content-Disposition": f'attachment; filename="set-{row.sha256[:12]}.zip"',
        "Cache-Control": "private, no-store",
        "X-Content-Type-Options": "nosniff",
    }
    pieces = _zipped(house, row)
    first = next(pieces)  # what goes wrong before it becomes a problem, not a torn file
    return StreamingResponse(chain((first,), pieces), media_type="application/zip", headers=headers)


def _zipped(house: House, row: DataSetRow) -> Iterator[bytes]:
    with house.session(writes=False) as session, set_export.written_out(house, session, row) as (place, _):
        yield from set_export.zipped(place)


__all__ = ["choice_of", "folder_in", "heap_public", "public", "router"]
