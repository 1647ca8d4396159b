"""``/photos``: upload and download."""

from __future__ import annotations

import hashlib
from typing import Annotated

from fastapi import APIRouter, File, Form, Path, Query, Request, Response, UploadFile

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, OnceDep, SessionDep, needs
from wearvision_api.routes import etags
from wearvision_api.routes.schemas import UUID_FORM, PhotoPublic, Purpose, RecordId, sent
from wearvision_api.services import photos

router = APIRouter(prefix="/photos", tags=["photos"])
PhotoId = Annotated[str, Path(pattern=UUID_FORM)]


@router.post("", status_code=201, response_model=PhotoPublic, summary="Keep a photo")
def take(
    house: HouseDep,
    session: SessionDep,
    once: OnceDep,
    file: Annotated[UploadFile, File(description="JPEG, PNG, WebP, TIFF, HEIC, GIF or BMP.")],
    who: Annotated[Caller, needs("photos:write")],
    purpose: Annotated[Purpose, Form(description="When it was taken; before any cleaning is best.")] = "as-removed",
    id: Annotated[RecordId | None, Form(description="Chosen by the caller.")] = None,
) -> Response:
    """Keeps a photo. After 201 it survives a loss of power; a retry with the same Idempotency-Key records it once."""
    data = photos.received(house, file.file)
    material = f"{hashlib.sha256(data).hexdigest()} {purpose} {id}"
    answer = once.stored(material)
    if answer is None:
        session.commit()  # lets other writers in while the photo is read and brought to disk
        stored = photos.store(house, data)
        answer = once.reply(
            material, lambda: PhotoPublic.model_validate(photos.record(session, who, stored, purpose, id)).plain()
        )
    return sent(answer, f"/api/v1/photos/{answer.body['id']}")


@router.get("/{photo_id}", response_model=PhotoPublic, summary="A photo's record")
def read(session: SessionDep, photo_id: PhotoId, who: Annotated[Caller, needs("photos:read")]) -> object:
    """What is recorded of a photo."""
    return photos.find(session, who, photo_id)


@router.get(
    "/{photo_id}/content",
    response_class=Response,
    responses={200: {"content": {"image/*": {}}}},
    summary="The photo itself",
)
def content(
    request: Request,
    house: HouseDep,
    session: SessionDep,
    photo_id: PhotoId,
    who: Annotated[Caller, needs("photos:read")],
    width: Annotated[int | None, Query(ge=64, le=4096, description="Long side in pixels, for a smaller copy.")] = None,
) -> Response:
    """The owner gets the file as it came; others an upright JPEG without the place of taking."""
    row = photos.demand_kept(photos.find(session, who, photo_id))
    etag = f'"{row.sha256[:16]}-{width or 0}-{int(row.owner_id == who.id)}"'
    if etags.unchanged(request, etag):
        return etags.not_modified(etag)
    data, media_type = photos.content(house, row, who, width)
    # A name and a type of ours, whatever the file says of itself. Asked for anew each time: the next one to use this
    # browser may be somebody else, and a photo may be erased.
    headers = {
        "ETag": etag,
        "Cache-Control": "private, no-cache",
        "Content-Disposition": f'inline; filename="photo-{row.id[:8]}.{media_type.partition("/")[2]}"',
    }
    return Response(data, media_type=media_type, headers=headers)
