"""``/healthz`` and ``/readyz``: alive, and able to work."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy import text

from wearvision_api.deps import HouseDep, SessionDep
from wearvision_api.problems import Problem

router = APIRouter(tags=["health"])


@router.get("/healthz", summary="Alive")
async def healthz() -> dict[str, str]:
    """The process answers; needs no thread, all of which may wait for a store."""
    return {"status": "alive"}


@router.get("/readyz", summary="Able to work")
def readyz(request: Request, house: HouseDep, session: SessionDep) -> dict[str, str]:
    """Database and photo store answer, too, and nobody has told the process to stop."""
    if request.app.state.draining:
        raise Problem("not-ready", "The process is about to stop; what is sent meanwhile is still answered.")
    try:
        session.execute(text("select 1"))
        house.blobs.check()
    except Exception as error:
        raise Problem("not-ready", "Database or photo store do not answer; the service's log says why.") from error
    return {"status": "ready", "model": str(house.grader.model_id)}
