"""``/examples/{id}/series``: the drawn pictures beside which film and haze of a photo are told."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from fastapi import APIRouter, Path, Response

from wearvision.labels.series import comparison_series
from wearvision.parts import PARTS
from wearvision.photo import read_photo
from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import HouseDep, SessionDep, needs
from wearvision_api.problems import Problem
from wearvision_api.routes.schemas import UUID_FORM
from wearvision_api.services import photos
from wearvision_api.teaching import examples

router = APIRouter(prefix="/examples", tags=["teaching"])
LIGHT_PX = 512
"""Size at which the photo's light is taken; a large JPEG is decoded no further than it needs."""
DAY_S = 86_400


@router.get(
    "/{example_id}/series/{measure}/{step}.jpg",
    response_class=Response,
    responses={200: {"content": {"image/jpeg": {}}}},
    summary="One step of a comparison series",
)
def step_of_series(
    house: HouseDep,
    session: SessionDep,
    example_id: Annotated[str, Path(pattern=UUID_FORM)],
    measure: Annotated[str, Path(max_length=40, description="A measure of `matches` in /standard/labels.")],
    step: Annotated[int, Path(ge=0, le=9, description="Tenths of the layer.")],
    who: Annotated[Caller, needs("labels:write")],
) -> Response:
    """A plain window in the light of this photo, behind so many tenths of film or haze."""
    if not any(measure in spec.matched for spec in PARTS.values()):
        raise Problem("not-found", f"There is no comparison series of {measure}.")
    row = photos.demand_kept(examples.find(session, example_id).photo)
    image = read_photo(house.blobs.get(row.sha256), working_px=LIGHT_PX).image
    # Without a picture of the part when new the photo gives the light alone, so where its window lies doesn't matter.
    drawn = comparison_series(image, np.ones(image.shape[:2], bool), measure)[step]
    headers = {"Cache-Control": f"private, max-age={DAY_S}"}
    return Response(photos.jpeg(drawn), media_type="image/jpeg", headers=headers)
