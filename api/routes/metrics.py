"""``/metrics``: what the service counts, for Prometheus."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest

from wearvision_api.accounts.roles import Caller
from wearvision_api.deps import needs

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"content": {"text/plain": {"schema": {"type": "string"}}}}},
    summary="Counts for Prometheus",
)
def metrics(request: Request, who: Annotated[Caller, needs("metrics:read")]) -> Response:
    """Requests by route and status with their times, work in hand, records, free space. No names, no ids."""
    return Response(generate_latest(request.app.state.counts.registry), media_type=CONTENT_TYPE_LATEST)
